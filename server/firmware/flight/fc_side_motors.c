/* The second control mode, built in with -DFC_SIDE_MOTORS only: while it coasts up it turns the nose back toward the
 * vertical with the four lateral motors, one at a time.
 *
 * CAUTION: this is active guidance. Firing anything in flight by itself may be forbidden where you are, and its export may
 * be restricted: ask the range safety officer, local law and export rules before, not after. All its limits are invented.
 *
 * Motor n sits ahead of the center of gravity where fin n sits and pushes away from there, so that the nose follows the
 * push. One that was ordered and whose push is not seen in the rates in time is a dud, and the next useful one is taken
 * without waiting. Continuity is not asked: on the bench there is none, and an order that finds nothing costs nothing. */
#include "fc.h"
#include "fc_math.h"
#include "fc_numbers.h"

#ifdef FC_SIDE_MOTORS

#define ALL_MOTORS ((1u << FC_LATERALS) - 1u)

/* Which way each pushes, body x and y. */
static const float push[FC_LATERALS][2] = {{-1.0F, 0.0F}, {0.0F, -1.0F}, {1.0F, 0.0F}, {0.0F, 1.0F}};

/* How fast the nose turns the way that a push along (x, y) turns it. */
static float rate_along(const float rates[2], float x, float y)
{
    return x * rates[1] - y * rates[0];
}

static void remember_rates(fc_flight *f)
{
    unsigned i;
    for (i = FC_SIDE_CYCLES - 1u; i > 0u; i--) {
        f->side.rates[i][0] = f->side.rates[i - 1u][0];
        f->side.rates[i][1] = f->side.rates[i - 1u][1];
    }
    f->side.rates[0][0] = f->nav.rates[0];
    f->side.rates[0][1] = f->nav.rates[1];
}

/* By how much the rate changed more in the last two cycles than in the two before: a motor that lights makes a step there,
 * a swing does not. */
static float sudden(const fc_side *side, float x, float y)
{
    return rate_along(side->rates[0], x, y) - 2.0F * rate_along(side->rates[2], x, y) + rate_along(side->rates[4], x, y);
}

/* The last one ordered: its push is seen, or its time is over. */
static void look_for_push(fc_computer *c)
{
    fc_flight *f = &c->flight;
    fc_side *side = &f->side;
    const float *way = push[side->motor];
    if (sudden(side, way[0], way[1]) >= FC_SIDE_SEEN_RAD_S) {
        side->waits = false;
    } else if (side->since_s > FC_SIDE_DELAY_S + FC_SIDE_BURN_S + FC_SIDE_LATE_S) {
        side->waits = false;
        side->since_s = FC_SIDE_BETWEEN_S;
        fc_say_number(c, BH_EVENT_SEVERITY_WARNING, "side motor ", (float)(side->motor + 1u), " is a dud");
    }
}

static bool may_guide(const fc_flight *f)
{
    return f->phase == BH_CONTROL_PHASE_COAST && !f->deployed && f->nav.position[2] >= FC_SIDE_GATE_M &&
           f->nav.velocity[2] >= FC_SIDE_CLIMB_M_S && fc_speed(&f->nav) >= FC_SIDE_GATE_M_S;
}

/* Whether it leans, goes the way it leans, and is not on its way back already; `up` is where the body sees up. */
static bool leans(const fc_flight *f, const float up[3])
{
    static const float ahead[3] = {0.0F, 0.0F, 1.0F};
    float aside = sqrtf(up[0] * up[0] + up[1] * up[1]);
    float nose[3];
    fc_to_world(f->nav.quaternion, ahead, nose);
    return up[2] < FC_SIDE_LEAN_COSINE && up[2] > FC_SIDE_LOST_COSINE &&
           nose[0] * f->nav.velocity[0] + nose[1] * f->nav.velocity[1] > FC_SIDE_ASIDE_M_S * aside &&
           rate_along(f->nav.rates, up[0], up[1]) < FC_SIDE_BACK_RAD_S * aside;
}

/* The motor not yet ordered that pushes best toward where the body will see up in the middle of its burn; FC_LATERALS
 * where none pushes well enough, since the vehicle rolls and another comes round. */
static unsigned best_motor(const fc_flight *f, const float up[3])
{
    float turned = f->nav.rates[2] * (FC_SIDE_DELAY_S + 0.5F * FC_SIDE_BURN_S);
    float x = up[0] * cosf(turned) + up[1] * sinf(turned);
    float y = up[1] * cosf(turned) - up[0] * sinf(turned);
    float least = FC_SIDE_ALIGNED * sqrtf(x * x + y * y);
    unsigned i, best = FC_LATERALS;
    for (i = 0; i < FC_LATERALS; i++) {
        float along = push[i][0] * x + push[i][1] * y;
        if (((f->side.ordered >> i) & 1u) == 0u && along > least) {
            least = along;
            best = i;
        }
    }
    return best;
}

static void order(fc_computer *c, unsigned motor)
{
    fc_flight *f = &c->flight;
    f->side.motor = (uint8_t)motor;
    f->side.ordered |= (uint8_t)(1u << motor);
    f->side.since_s = 0.0F;
    f->side.waits = true;
    fc_arm(c, motor, false);
    (void)fc_fire(c, motor);
    fc_say_number(c, BH_EVENT_SEVERITY_WARNING, "side motor ", (float)(motor + 1u), " ordered");
}

/* The board is released once, and inhibited again when the coast is over; whoever inhibits it before ends this mode. */
static bool has_board(fc_computer *c)
{
    fc_flight *f = &c->flight;
    if (!f->side.released && may_guide(f)) {
        f->side.released = true;
        f->inhibited = false;
        fc_say(c, BH_EVENT_SEVERITY_INFO, "side motors released");
    } else if (f->side.released && f->phase != BH_CONTROL_PHASE_COAST && !f->side.over) {
        f->side.over = true;
        fc_inhibit(c);
    }
    return f->side.released && !f->side.over && !f->inhibited;
}

void fc_use_side_motors(fc_computer *c)
{
    fc_flight *f = &c->flight;
    float up[3];
    unsigned motor;
    f->side.since_s += f->cycle_s;
    remember_rates(f);
    if (!has_board(c)) {
        return;
    }
    if (f->side.waits) {
        look_for_push(c);
    }
    if (f->side.ordered == ALL_MOTORS || !may_guide(f) ||
        (f->side.ordered != 0u && f->side.since_s < FC_SIDE_BETWEEN_S)) {
        return;
    }
    fc_up_in_body(f->nav.quaternion, up);
    motor = leans(f, up) ? best_motor(f, up) : FC_LATERALS;
    if (motor < FC_LATERALS) {
        order(c, motor);
    }
}

#endif
