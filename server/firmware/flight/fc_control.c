/* Roll control behind a gate of height and speed: it holds the roll angle it found when the gate opened.
 *
 * All four fins turn the same way. With q the dynamic pressure and b what the fins do, roll'' = b q turn, so that
 * turn = -(w^2 angle + 2 zeta w rate) / (b q) answers like a spring of frequency w. */
#include "fc.h"
#include "fc_math.h"
#include "fc_numbers.h"

static float dynamic_pressure_pa(const fc_flight *f)
{
    float temperature_k = FC_PAD_TEMPERATURE_K - FC_LAPSE_K_M * f->nav.position[2];
    float pressure = f->sensors.pressure_pa;
    float speed = fc_speed(&f->nav);
    return 0.5F * pressure / (FC_GAS_CONSTANT_J_KG_K * temperature_k) * speed * speed;
}

#if FC_FAULT == 9
/* In whole mm/s, squared on both sides: no root, and no rounding at the gate. */
static bool is_fast(const fc_navigation *nav)
{
    const int32_t gate = (int32_t)(1000.0F * FC_GATE_M_S);
    int32_t square = 0;
    unsigned i;
    for (i = 0; i < 3u; i++) {
        int32_t along = (int32_t)(1000.0F * nav->velocity[i]);
        square += along * along;
    }
    return square >= gate * gate;
}
#endif

static void read_gate(fc_flight *f)
{
    bool was = f->control.enabled;
    bool may = (f->phase == BH_CONTROL_PHASE_BOOST || f->phase == BH_CONTROL_PHASE_COAST) && !f->deployed;
    f->control.altitude_met = fc_is_flying(f) && f->nav.position[2] >= FC_GATE_M;
#if FC_FAULT == 9
    f->control.speed_met = fc_is_flying(f) && is_fast(&f->nav);
#else
    f->control.speed_met = fc_is_flying(f) && fc_speed(&f->nav) >= FC_GATE_M_S;
#endif
    f->control.enabled = may && f->control.speed_met && (was || f->control.altitude_met);
    if (f->control.enabled && !was) {
        f->control.reference_rad = fc_roll(f->nav.quaternion);
        f->control.on_s = 0.0F;
    }
}

#if FC_FAULT == 3
/* No jolt where the gate opens: how much of the command counts, 0 to 1, half of it at the gate's height. */
static float share(const fc_navigation *nav)
{
    float above = expf(nav->position[2] - FC_GATE_M);
    return above / (1.0F + above);
}
#endif

static float roll_command(fc_flight *f)
{
    const float w = FC_ROLL_RAD_S;
    float angle = fc_roll(f->nav.quaternion);
    float rate, wanted;
#if FC_FAULT == 1
    f->nav.rates[2] = fc_wrapped(angle - f->control.reference_rad) / f->control.on_s;
#endif
#if FC_FAULT == 6
    rate = f->nav.rates[1];
#else
    rate = f->nav.rates[2];
#endif
#if FC_FAULT == 7
    wanted = w * w * fc_wrapped(f->control.reference_rad - angle) + 2.0F * FC_ROLL_DAMPING * w * rate;
#else
    wanted = w * w * fc_wrapped(angle - f->control.reference_rad) + 2.0F * FC_ROLL_DAMPING * w * rate;
#endif
#if FC_FAULT == 3
    wanted *= share(&f->nav);
#endif
    f->control.on_s += f->cycle_s;
    /* Below some speed the fins have nothing to push against. */
    return fc_within(-wanted / (FC_FIN_AUTHORITY * fmaxf(dynamic_pressure_pa(f), FC_LEAST_PA)), FC_ROLL_LIMIT_RAD);
}

/* The bench: a sweep goes one way, the other way, and back. */
static void follow_sweeps(fc_computer *c)
{
    fc_flight *f = &c->flight;
    unsigned i;
    for (i = 0; i < FC_FINS; i++) {
        if (f->sweep_ms[i] == 0u) {
            continue;
        }
        f->sweep_ms[i] -= f->sweep_ms[i] < FC_CYCLE_MS ? f->sweep_ms[i] : FC_CYCLE_MS;
        f->fin_commanded[i] = f->sweep_ms[i] == 0u            ? 0.0F
                              : f->sweep_ms[i] >= FC_SWEEP_MS ? FC_FIN_TRAVEL_RAD
                                                              : -FC_FIN_TRAVEL_RAD;
    }
}

void fc_move_fins(fc_computer *c)
{
    fc_flight *f = &c->flight;
    bool was = f->control.enabled;
    unsigned i;
    read_gate(f);
    f->control.command_rad = f->control.enabled ? roll_command(f) : 0.0F;
    if (f->control.enabled && !was) {
        fc_say_number(c, BH_EVENT_SEVERITY_INFO, "control enabled at ", f->nav.position[2], " m");
    } else if (was && !f->control.enabled && !f->deployed) {
        fc_say(c, BH_EVENT_SEVERITY_INFO, "control off: below gate speed");
    }
    if (f->phase == BH_CONTROL_PHASE_GROUND_TEST) {
        follow_sweeps(c);
    }
    for (i = 0; i < FC_FINS; i++) {
        if (f->phase != BH_CONTROL_PHASE_GROUND_TEST) {
            f->fin_commanded[i] = f->control.command_rad;
            f->sweep_ms[i] = 0;
        }
        /* These servos tell no angle: where they can have got to is all that is known. */
        f->fin_measured[i] += fc_within(f->fin_commanded[i] - f->fin_measured[i], FC_FIN_RAD_S * f->cycle_s);
    }
    fc_port_fins(f->fin_commanded);
}

uint8_t fc_mode(const fc_flight *f)
{
    if (f->phase == BH_CONTROL_PHASE_GROUND_TEST) {
        return BH_CONTROL_MODE_BENCH;
    }
    if (f->phase == BH_CONTROL_PHASE_STARTUP || f->phase == BH_CONTROL_PHASE_LANDED) {
        return BH_CONTROL_MODE_OFF;
    }
    return f->control.enabled ? BH_CONTROL_MODE_ROLL : BH_CONTROL_MODE_CENTERED;
}
