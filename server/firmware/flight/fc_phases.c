/* The phases of a flight: for each the test that ends it, and what entering it means. */
#include "fc.h"
#include "fc_math.h"
#include "fc_numbers.h"

#define HAIR_S 0.001F

bool fc_is_flying(const fc_flight *f)
{
    return f->phase == BH_CONTROL_PHASE_BOOST || f->phase == BH_CONTROL_PHASE_COAST ||
           f->phase == BH_CONTROL_PHASE_DESCENT;
}

bool fc_is_on_ground(const fc_flight *f)
{
    return f->phase == BH_CONTROL_PHASE_PAD || f->phase == BH_CONTROL_PHASE_GROUND_TEST;
}

bool fc_trusts_pressure(const fc_flight *f)
{
    if (f->phase == BH_CONTROL_PHASE_DESCENT) {
        return f->liftoff_s >= f->memory.descent.no_pressure_until_s;
    }
    return fc_is_flying(f) || f->phase == BH_CONTROL_PHASE_LANDED;
}

/* ---------------------------------------------------------------- tests that end a phase */

/* Count how long a condition holds without a break. */
static bool held(const fc_flight *f, float *held_s, bool condition, float long_enough_s)
{
    *held_s = condition ? *held_s + f->cycle_s : 0.0F;
    return *held_s >= long_enough_s - HAIR_S;
}

static bool is_ready(fc_flight *f)
{
    return f->phase_s >= FC_STARTUP_S - HAIR_S;
}

static bool is_lifting_off(fc_flight *f)
{
    return held(f, &f->memory.ground.held_s, f->sensors.accel_a[2] > FC_LIFTOFF_M_S2, FC_LIFTOFF_HOLD_S);
}

static bool is_burned_out(fc_flight *f)
{
    float along = f->sensors.accel_a[2];
    f->memory.boost.hardest_m_s2 = fmaxf(f->memory.boost.hardest_m_s2, along);
    return held(f, &f->memory.boost.held_s, along < FC_BURNOUT_M_S2, FC_BURNOUT_HOLD_S);
}

/* Down for a moment; or, whatever the estimate says, too late to wait any longer. */
static bool is_over_the_top(fc_flight *f)
{
    bool down;
    f->memory.coast.highest_m = fmaxf(f->memory.coast.highest_m, f->nav.position[2]);
    if (f->liftoff_s < FC_EARLIEST_DEPLOYMENT_S) {
        return false;
    }
    down = held(f, &f->memory.coast.held_s, f->nav.velocity[2] < 0.0F, FC_APOGEE_HOLD_S);
    return down || f->liftoff_s >= FC_LATEST_DEPLOYMENT_S;
}

static bool is_still(fc_flight *f)
{
    const float *rates = f->nav.rates;
    bool quiet = fabsf(rates[0]) < FC_STILL_RAD_S && fabsf(rates[1]) < FC_STILL_RAD_S &&
                 fabsf(rates[2]) < FC_STILL_RAD_S && fabsf(f->nav.climb_m_s) < FC_STILL_M_S;
    return held(f, &f->memory.descent.still_s, quiet, FC_STILL_S);
}

/* ---------------------------------------------------------------- what entering a phase does */

#if FC_FAULT == 5
/* The flight begins at the pad and at rest: what handling on the pad left in the estimate goes. */
static void start_at_pad(fc_navigation *nav)
{
    unsigned i;
    for (i = 0; i < 3u; i++) {
        nav->position[i] = nav->velocity[i] = 0.0F;
    }
}
#endif

static void enter_ground_test(fc_computer *c)
{
    fc_say(c, BH_EVENT_SEVERITY_INFO, "phase ground test");
}

static void enter_pad(fc_computer *c)
{
    unsigned i;
    c->flight.memory.ground.held_s = 0.0F;
    fc_inhibit(c);
    for (i = FC_LATERALS; i < FC_CHANNELS; i++) {
        fc_safe(c, i);
    }
    fc_say(c, BH_EVENT_SEVERITY_INFO, "phase pad");
}

static void enter_boost(fc_computer *c)
{
    c->flight.memory.boost.held_s = 0.0F;
    c->flight.memory.boost.hardest_m_s2 = 0.0F;
#if FC_FAULT == 5
    start_at_pad(&c->flight.nav);
#endif
    fc_inhibit(c);
    fc_arm_recovery(c);
    fc_say(c, BH_EVENT_SEVERITY_INFO, "lift-off, recovery armed");
}

static void enter_coast(fc_computer *c)
{
    float hardest = c->flight.memory.boost.hardest_m_s2;
    c->flight.memory.coast.held_s = 0.0F;
    c->flight.memory.coast.highest_m = c->flight.nav.position[2];
    fc_quiet_again(&c->flight.nav);
    fc_say_number(c, BH_EVENT_SEVERITY_INFO, "burnout, at most ", hardest, " m/s2");
}

static void enter_descent(fc_computer *c)
{
    float highest = c->flight.memory.coast.highest_m;
    c->flight.memory.descent.still_s = 0.0F;
#if FC_FAULT != 4
    c->flight.memory.descent.no_pressure_until_s = c->flight.liftoff_s + FC_CHARGE_S;
#endif
    fc_deploy(c);
    fc_say_number(c, BH_EVENT_SEVERITY_INFO, "deployment, highest ", highest, " m");
}

static void enter_landed(fc_computer *c)
{
    fc_say_number(c, BH_EVENT_SEVERITY_INFO, "landed after ", c->flight.liftoff_s, " s");
}

/* ---------------------------------------------------------------- the table */

typedef struct {
    bool (*ends)(fc_flight *f); /* NULL: only a command does */
    uint8_t next;
    void (*enter)(fc_computer *c);
} fc_phase;

static const fc_phase phases[] = {
    /* startup     */ {is_ready, BH_CONTROL_PHASE_PAD, NULL},
    /* ground test */ {NULL, BH_CONTROL_PHASE_GROUND_TEST, enter_ground_test},
    /* pad         */ {is_lifting_off, BH_CONTROL_PHASE_BOOST, enter_pad},
    /* boost       */ {is_burned_out, BH_CONTROL_PHASE_COAST, enter_boost},
    /* coast       */ {is_over_the_top, BH_CONTROL_PHASE_DESCENT, enter_coast},
    /* descent     */ {is_still, BH_CONTROL_PHASE_LANDED, enter_descent},
    /* landed      */ {NULL, BH_CONTROL_PHASE_LANDED, enter_landed},
};

void fc_enter(fc_computer *c, uint8_t phase)
{
    c->flight.phase = phase;
    c->flight.phase_s = 0.0F;
    if (phases[phase].enter != NULL) {
        phases[phase].enter(c);
    }
}

void fc_change_phase(fc_computer *c)
{
    fc_flight *f = &c->flight;
    f->phase_s += f->cycle_s;
    if (fc_is_flying(f)) {
        f->liftoff_s += f->cycle_s;
    }
    if (phases[f->phase].ends != NULL && phases[f->phase].ends(f)) {
        fc_enter(c, phases[f->phase].next);
    }
}
