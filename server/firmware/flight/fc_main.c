/* One cycle of the flight software, and the loop around it: on the board's own sensors every 10 ms or, in a rehearsal, once
 * for each set of sensor values that comes over the cable, on their clock. */
#include "fc.h"
#include "fc_numbers.h"

#include <string.h>

/* ---------------------------------------------------------------- one cycle */

static void estimate(fc_flight *f)
{
    const fc_sensors *sensors = &f->sensors;
    bool falling = f->phase == BH_CONTROL_PHASE_DESCENT || f->phase == BH_CONTROL_PHASE_LANDED;
    bool flown = fc_is_flying(f) || f->phase == BH_CONTROL_PHASE_LANDED;
    fc_read_pressure(&f->nav, sensors->pressure_pa, f->cycle_s);
    if (flown || !fc_settle(&f->nav, sensors, f->cycle_s)) {
        fc_advance(&f->nav, sensors, f->cycle_s, falling, fc_trusts_pressure(f));
    }
    if (sensors->has_fix) {
        fc_read_fix(&f->nav, sensors->fix_m, flown, falling);
    }
}

void fc_step(fc_computer *c, float seconds)
{
    fc_flight *f = &c->flight;
    f->cycle_s = seconds;
    estimate(f);
    fc_change_phase(c);
    fc_move_fins(c);
#ifdef FC_SIDE_MOTORS
    fc_use_side_motors(c);
#endif
    fc_let_arming_expire(c);
    f->charge_used_c += f->sensors.battery_a * seconds;
    f->sensors.has_fix = false;
}

/* How long this cycle is: since the last one. */
static float cycle_seconds(fc_computer *c, uint32_t time_us)
{
    float seconds = 1e-6F * (float)(uint32_t)(time_us - c->stepped_us);
    c->stepped_us = time_us;
    return seconds;
}

/* Start the flight software anew: nothing armed, nothing known. */
static void start(fc_computer *c, uint8_t phase, uint32_t time_us)
{
    memset(&c->flight, 0, sizeof c->flight);
    memset(c->work, 0, sizeof c->work);
    c->flight.nav.quaternion[0] = 1.0F;
    c->flight.cycle_s = FC_CYCLE_S;
    c->flight.inhibited = true;
    c->flight.phase = phase;
    c->stepped_us = time_us;
    c->cycle_ms = c->now_ms;
    fc_plan_anew(c);
}

void fc_begin(fc_computer *c, const uint8_t *key, uint32_t id, uint64_t boot_id)
{
    memset(c, 0, sizeof *c);
    bh_begin(&c->vehicle, key, id, boot_id, 0, NULL, NULL);
    bh_begin_link(&c->wired, &c->vehicle);
#ifdef BH_REHEARSAL
    bh_wired(&c->wired);
#endif
    c->now_ms = c->bench_ms = fc_port_ms();
    start(c, BH_CONTROL_PHASE_STARTUP, fc_port_us());
}

static void run_by_clock(fc_computer *c)
{
    if ((int32_t)(c->now_ms - c->cycle_ms) >= 0) {
        bool late = c->now_ms - c->cycle_ms >= FC_CYCLE_MS;
        c->cycle_ms = (late ? c->now_ms : c->cycle_ms) + FC_CYCLE_MS;
        fc_port_sensors(&c->flight.sensors);
        fc_step(c, cycle_seconds(c, fc_port_us()));
    }
    fc_finish_work(c);
    fc_send_due(c);
}

/* ---------------------------------------------------------------- the rehearsal; no line of it is in a flight build */

#ifdef BH_REHEARSAL

static void play_sensors(void *user, uint32_t time_us, const bh_sensors_stimulus *heard)
{
    fc_computer *c = (fc_computer *)user;
    fc_sensors *sensors = &c->flight.sensors;
    c->played_us = time_us;
    sensors->accel_a[0] = heard->accel_a_x;
    sensors->accel_a[1] = heard->accel_a_y;
    sensors->accel_a[2] = heard->accel_a_z;
    sensors->gyro_a[0] = heard->gyro_a_x;
    sensors->gyro_a[1] = heard->gyro_a_y;
    sensors->gyro_a[2] = heard->gyro_a_z;
    sensors->accel_b[0] = heard->accel_b_x;
    sensors->accel_b[1] = heard->accel_b_y;
    sensors->accel_b[2] = heard->accel_b_z;
    sensors->gyro_b[0] = heard->gyro_b_x;
    sensors->gyro_b[1] = heard->gyro_b_y;
    sensors->gyro_b[2] = heard->gyro_b_z;
    sensors->pressure_pa = (float)heard->pressure;
}

static void play_fix(void *user, uint32_t time_us, const bh_fix_stimulus *heard)
{
    fc_computer *c = (fc_computer *)user;
    c->played_us = time_us;
    c->flight.sensors.fix_m[0] = heard->east;
    c->flight.sensors.fix_m[1] = heard->north;
    c->flight.sensors.has_fix = true;
}

static void play_supply(void *user, uint32_t time_us, const bh_supply_stimulus *heard)
{
    fc_computer *c = (fc_computer *)user;
    fc_sensors *sensors = &c->flight.sensors;
    c->played_us = time_us;
    sensors->battery_v = (float)heard->battery_voltage;
    sensors->battery_a = (float)heard->battery_current;
    sensors->computer_a = (float)heard->computer_current;
    sensors->servo_a = (float)heard->servo_current;
    sensors->camera_a[0] = (float)heard->camera_1_current;
    sensors->camera_a[1] = (float)heard->camera_2_current;
    sensors->camera_a[2] = (float)heard->camera_3_current;
}

static void tell_rehearsal(fc_computer *c)
{
    c->told_ms = c->bench_ms;
    fc_sent(c, bh_rehearsal_frame(&c->wired, c->now_ms, fc_frame(c)));
}

/* A rehearsal begins with the flight software anew, as after switching on, and ends with it anew on the bench. */
static void follow_rehearsal(fc_computer *c)
{
    bool rehearses = bh_rehearsing(&c->vehicle);
    if (rehearses == c->rehearses) {
        return;
    }
    c->rehearses = rehearses;
    c->played_us = 0;
    if (rehearses) {
        start(c, BH_CONTROL_PHASE_STARTUP, 0);
        return;
    }
    if ((int32_t)(c->bench_ms + c->ahead_ms - c->now_ms) < 0) { /* played faster than it passed: no clock goes back */
        c->ahead_ms = c->now_ms - c->bench_ms;
    }
    c->now_ms = c->bench_ms + c->ahead_ms;
    start(c, BH_CONTROL_PHASE_GROUND_TEST, fc_port_us());
}

/* What the board itself measures, on a clock that runs whatever is played. */
static void look_at_bench(fc_computer *c)
{
    bool on_bench = c->rehearses || c->flight.phase == BH_CONTROL_PHASE_GROUND_TEST;
    bool changed = bh_bench(&c->vehicle, c->bench_ms, on_bench, fc_port_continuity());
    follow_rehearsal(c);
    if (changed || c->bench_ms - c->told_ms >= 1000u) {
        tell_rehearsal(c);
    }
}

static void play(fc_computer *c)
{
    static const bh_stimulus_calls calls = {.sensors = play_sensors, .fix = play_fix, .supply = play_supply};
    bh_play(&c->wired, &calls, c);
    c->now_ms = bh_rehearsal_ms(&c->vehicle);
    if (bh_is_step(&c->wired)) {
        uint32_t begun_us = fc_port_us();
        fc_step(c, cycle_seconds(c, c->played_us));
        bh_cycle_took(&c->vehicle, fc_port_us() - begun_us);
        fc_finish_work(c);
        fc_send_due(c);
        fc_send_answers_of_step(c);
        tell_rehearsal(c);
    }
}

#endif

/* ---------------------------------------------------------------- the loop */

static void hear(fc_computer *c, uint8_t octet)
{
    bh_command command;
    enum bh_heard heard = bh_receive(&c->wired, octet, c->now_ms, &command);
#ifdef BH_REHEARSAL
    if (heard != BH_NOTHING) {
        follow_rehearsal(c);
    }
    if (heard == BH_STIMULUS) {
        play(c);
    }
#endif
    if (heard == BH_SAFE_ALL) {
        fc_obey_safe_all(c, &command);
    } else if (heard == BH_ORDER) {
        fc_obey(c, &command);
    } else if (heard == BH_ANSWERED) {
        size_t size;
        while ((size = bh_owed_answer(&c->wired, c->now_ms, fc_frame(c))) > 0u) {
            fc_sent(c, size);
        }
    }
}

/* One turn of the loop, with the bytes that came since the last. */
void fc_turn_of_loop(fc_computer *c, const uint8_t *heard, size_t size)
{
    size_t i;
    c->bench_ms = fc_port_ms();
    if (!c->rehearses) {
        c->now_ms = c->bench_ms + c->ahead_ms;
    }
#ifdef BH_REHEARSAL
    look_at_bench(c);
#endif
    for (i = 0; i < size; i++) {
        hear(c, heard[i]);
    }
    if (!c->rehearses) {
        run_by_clock(c);
    }
    fc_flush(c);
}
