/* Vectors and unit quaternions (w, x, y, z: body into world, Hamilton product), in floats. World: east, north, up. */
#ifndef FC_MATH_H
#define FC_MATH_H

#include <math.h>

static inline float fc_length(const float v[3])
{
    return sqrtf(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]);
}

static inline float fc_within(float value, float limit)
{
    return fmaxf(-limit, fminf(limit, value));
}

/* The same angle within +-pi. */
static inline float fc_wrapped(float angle_rad)
{
    return remainderf(angle_rad, 6.2831853F);
}

/* Turn the body vector `v` into world axes. */
static inline void fc_to_world(const float q[4], const float v[3], float out[3])
{
    float tx = 2.0F * (q[2] * v[2] - q[3] * v[1]);
    float ty = 2.0F * (q[3] * v[0] - q[1] * v[2]);
    float tz = 2.0F * (q[1] * v[1] - q[2] * v[0]);
    out[0] = v[0] + q[0] * tx + q[2] * tz - q[3] * ty;
    out[1] = v[1] + q[0] * ty + q[3] * tx - q[1] * tz;
    out[2] = v[2] + q[0] * tz + q[1] * ty - q[2] * tx;
}

/* Where the body sees up. */
static inline void fc_up_in_body(const float q[4], float out[3])
{
    out[0] = 2.0F * (q[1] * q[3] - q[0] * q[2]);
    out[1] = 2.0F * (q[2] * q[3] + q[0] * q[1]);
    out[2] = q[0] * q[0] - q[1] * q[1] - q[2] * q[2] + q[3] * q[3];
}

static inline void fc_normalize(float q[4])
{
    float scale = 1.0F / sqrtf(q[0] * q[0] + q[1] * q[1] + q[2] * q[2] + q[3] * q[3]);
    q[0] *= scale;
    q[1] *= scale;
    q[2] *= scale;
    q[3] *= scale;
}

/* Turn at a constant body rate for some seconds: the exact step. */
static inline void fc_turn(float q[4], const float rate[3], float seconds)
{
    float speed = fc_length(rate);
    float half = 0.5F * speed * seconds;
    float scale = speed > 1e-9F ? sinf(half) / speed : 0.5F * seconds;
    float w = cosf(half), x = rate[0] * scale, y = rate[1] * scale, z = rate[2] * scale;
    float turned[4];
    turned[0] = q[0] * w - q[1] * x - q[2] * y - q[3] * z;
    turned[1] = q[0] * x + q[1] * w + q[2] * z - q[3] * y;
    turned[2] = q[0] * y - q[1] * z + q[2] * w + q[3] * x;
    turned[3] = q[0] * z + q[1] * y - q[2] * x + q[3] * w;
    fc_normalize(turned);
    q[0] = turned[0];
    q[1] = turned[1];
    q[2] = turned[2];
    q[3] = turned[3];
}

/* The attitude without roll in which the body sees up along `up`. */
static inline void fc_level(const float up[3], float q[4])
{
    float scale = 1.0F / fc_length(up);
    if (up[2] * scale < -0.99999F) { /* upside down: any half turn */
        q[0] = q[2] = q[3] = 0.0F;
        q[1] = 1.0F;
        return;
    }
    q[0] = 1.0F + up[2] * scale;
    q[1] = up[1] * scale;
    q[2] = -up[0] * scale;
    q[3] = 0.0F;
    fc_normalize(q);
}

/* The turn about the nose. */
static inline float fc_roll(const float q[4])
{
    return fc_wrapped(2.0F * atan2f(q[3], q[0]));
}

#endif
