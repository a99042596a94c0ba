/* An excitation of the roll, built in with -DFC_EXCITE only: while roll control is on, a small known signal on top of what it
 * asks for, so that what the fins do can be measured better afterwards.
 *
 * CAUTION: this moves the fins on purpose in flight. It belongs to active guidance, whose flight may be forbidden and whose
 * export may be restricted where you are: ask the range safety officer, local law and export rules before, not after. All its
 * limits are invented.
 *
 * The signal is a multisine: harmonics of one period with equal amplitudes and phases that keep its peak low, beginning at
 * zero (after E. A. Morelli's). It begins a while after the gate, so that the answer to the gate is seen by itself, lasts whole
 * periods, and is over for this flight once they are done, control is lost, or it leans too far. */
#include "fc.h"
#include "fc_math.h"
#include "fc_numbers.h"

#ifdef FC_EXCITE

static const float phase_rad[FC_EXCITE_HARMONICS] = FC_EXCITE_PHASES_RAD;

static float signal(float t_s)
{
    float sum = 0.0F;
    unsigned i;
    for (i = 0; i < FC_EXCITE_HARMONICS; i++) {
        sum += cosf(6.2831853F * (float)(i + 1u) * t_s / FC_EXCITE_PERIOD_S + phase_rad[i]);
    }
    return FC_EXCITE_SHARE * sum;
}

/* Why it must end: nothing while it may go on. */
static const char *reason(const fc_flight *f)
{
    float up[3];
    fc_up_in_body(f->nav.quaternion, up);
    if (!f->control.enabled) {
        return " cycles of excitation: control off";
    }
    if (!(up[2] >= FC_EXCITE_TILT_COSINE)) { /* nor when it is no number */
        return " cycles of excitation: tilt";
    }
    return f->control.on_s >= FC_EXCITE_WAIT_S + FC_EXCITE_PERIODS * FC_EXCITE_PERIOD_S ? " cycles of excitation: done" : NULL;
}

float fc_excitation(fc_computer *c)
{
    fc_flight *f = &c->flight;
    fc_excite *excite = &f->excite;
    float since_s = f->control.on_s - FC_EXCITE_WAIT_S;
    const char *over;
    if (excite->over || (excite->cycles == 0u && (!f->control.enabled || since_s < 0.0F))) {
        return 0.0F;
    }
    over = reason(f);
    if (over != NULL) {
        excite->over = true;
        fc_say_number(c, BH_EVENT_SEVERITY_INFO, "", (float)excite->cycles, over);
        return 0.0F;
    }
    if (excite->cycles == 0u) {
        fc_say(c, BH_EVENT_SEVERITY_INFO, "excitation begins");
    }
    excite->cycles++;
    return fc_within(FC_EXCITE_RAD * signal(since_s), FC_EXCITE_RAD);
}

#endif
