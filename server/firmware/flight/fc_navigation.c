/* Where the vehicle is and how it lies, from its own sensors.
 *
 * On the pad, while everything is still, it levels itself on gravity, learns the gyros' bias and the pad's pressure, and
 * stays at zero. From then on gyros turn the attitude, the felt force turned into world axes moves velocity and position,
 * and both lean on pressure height and position fixes (gains 2 zeta w and w^2, zeta 0.7). */
#include "fc.h"
#include "fc_math.h"
#include "fc_numbers.h"

float fc_speed(const fc_navigation *nav)
{
    return fc_length(nav->velocity);
}

static void blend(fc_navigation *nav, unsigned axis, float measured, float bandwidth, float seconds)
{
    float error = measured - nav->position[axis];
    nav->position[axis] += 1.4F * bandwidth * seconds * error;
    nav->velocity[axis] += bandwidth * bandwidth * seconds * error;
}

void fc_read_pressure(fc_navigation *nav, float pressure_pa, float seconds)
{
    float ratio;
    if (nav->pad_pressure_pa <= 0.0F) {
        nav->pad_pressure_pa = pressure_pa;
    }
    ratio = fmaxf(pressure_pa, 1000.0F) / nav->pad_pressure_pa;
    nav->altitude_baro_m = FC_PAD_TEMPERATURE_K / FC_LAPSE_K_M * (1.0F - powf(ratio, FC_PRESSURE_EXPONENT));
    nav->climb_m_s = (nav->altitude_baro_m - nav->slow_m) / FC_CLIMB_S;
    nav->slow_m += seconds * nav->climb_m_s;
}

static void read_rates(fc_navigation *nav, const float gyro[3])
{
    unsigned i;
    for (i = 0; i < 3u; i++) {
        nav->rates[i] = gyro[i] - nav->gyro_bias[i];
    }
}

/* On the pad: learn and hold still. False when something moves: then advance. */
bool fc_settle(fc_navigation *nav, const fc_sensors *sensors, float seconds)
{
    const float *accel = sensors->accel_a;
    const float *gyro = sensors->gyro_a;
    unsigned i;
    if (fabsf(fc_length(accel) - FC_GRAVITY_M_S2) >= FC_QUIET_M_S2 || fabsf(gyro[0]) >= FC_QUIET_RAD_S ||
        fabsf(gyro[1]) >= FC_QUIET_RAD_S || fabsf(gyro[2]) >= FC_QUIET_RAD_S) {
        return false;
    }
    for (i = 0; i < 3u; i++) {
        float share = nav->is_leveled ? FC_LEVELING : 1.0F;
        nav->up_in_body[i] += share * (accel[i] - nav->up_in_body[i]);
        nav->gyro_bias[i] += share * (gyro[i] - nav->gyro_bias[i]);
        nav->position[i] = nav->velocity[i] = 0.0F;
    }
    nav->is_leveled = true;
    fc_level(nav->up_in_body, nav->quaternion);
    read_rates(nav, gyro);
    /* Weather drifts slowly; a lift-off must not be averaged into the pad. */
    nav->pad_pressure_pa += FC_PAD_PRESSURE_PER_S * seconds * (sensors->pressure_pa - nav->pad_pressure_pa);
    return true;
}

/* Under the canopies: turn slowly toward the attitude in which the felt force points up; swinging averages out. */
static void level_by_gravity(fc_navigation *nav, const float accel[3], float seconds)
{
    float force = fc_length(accel);
    float gain = FC_CANOPY_LEVELING_PER_S / force;
    float up[3], turn[3];
    if (fabsf(force - FC_GRAVITY_M_S2) > 4.0F) {
        return;
    }
    fc_up_in_body(nav->quaternion, up);
    turn[0] = gain * (accel[1] * up[2] - accel[2] * up[1]);
    turn[1] = gain * (accel[2] * up[0] - accel[0] * up[2]);
    turn[2] = gain * (accel[0] * up[1] - accel[1] * up[0]);
#if FC_FAULT == 2
    (void)seconds;
    fc_turn(nav->quaternion, turn, nav->unleveled_s); /* with the steps that a gust or a jerk left out */
    nav->unleveled_s = 0.0F;
#else
    fc_turn(nav->quaternion, turn, seconds);
#endif
}

/* How much pressure height counts, 0 to 1: little while the vehicle is pushed hard, in whose flow the port reads low. A
 * steep knee, 1 / (1 + x^8). */
static float trust(const float accel[3])
{
    float push = fc_length(accel) / FC_TRUST_M_S2;
    push *= push;
    push *= push;
    push *= push;
    return 1.0F - push / (1.0F + push);
}

/* In the air: one step of the sensors, then lean on pressure height. */
void fc_advance(fc_navigation *nav, const fc_sensors *sensors, float seconds, bool under_canopy, bool trust_pressure)
{
    float before[3], middle[3], world[3];
    unsigned i;
    for (i = 0; i < 3u; i++) {
        before[i] = nav->rates[i];
    }
    read_rates(nav, sensors->gyro_a);
    for (i = 0; i < 3u; i++) { /* the mean of both ends: half a step of delay would tilt a spinning vehicle's estimate */
        middle[i] = 0.5F * (before[i] + nav->rates[i]);
    }
    fc_turn(nav->quaternion, middle, seconds);
#if FC_FAULT == 2
    nav->unleveled_s += seconds;
#endif
    if (under_canopy) {
        level_by_gravity(nav, sensors->accel_a, seconds);
    }
    fc_to_world(nav->quaternion, sensors->accel_a, world);
    world[2] -= FC_GRAVITY_M_S2;
    for (i = 0; i < 3u; i++) {
        nav->position[i] += seconds * (nav->velocity[i] + 0.5F * seconds * world[i]);
        nav->velocity[i] += seconds * world[i];
    }
    if (trust_pressure) {
        float bandwidth = under_canopy ? FC_DESCENT_RAD_S : FC_ASCENT_RAD_S;
        blend(nav, 2, nav->altitude_baro_m, bandwidth, seconds * trust(sensors->accel_a));
    }
}

/* A fix, every FC_FIX_S; on the pad it only finds out where the pad is. */
void fc_read_fix(fc_navigation *nav, const float fix_m[2], bool moving, bool under_canopy)
{
    float bandwidth = under_canopy ? 2.0F * FC_HORIZONTAL_RAD_S : FC_HORIZONTAL_RAD_S;
    unsigned i;
    for (i = 0; i < 2u; i++) {
        if (!nav->has_origin) {
            nav->fix_origin_m[i] = fix_m[i];
        }
        if (moving) {
            blend(nav, i, fix_m[i] - nav->fix_origin_m[i], bandwidth, FC_FIX_S);
        } else {
            nav->fix_origin_m[i] += FC_PAD_FIX_PER_S * FC_FIX_S * (fix_m[i] - nav->fix_origin_m[i]);
        }
    }
    nav->has_origin = true;
}

/* The motor is out and the port reads well again: what boost left in the smoothed climb goes. */
void fc_quiet_again(fc_navigation *nav)
{
    nav->slow_m = nav->altitude_baro_m;
    nav->climb_m_s = 0.0F;
}
