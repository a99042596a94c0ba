/* What is sent: a function a packet, and the plan of when each is due. Frames of one turn of the loop leave together. */
#include "fc.h"
#include "fc_numbers.h"

#include <string.h>

uint8_t *fc_frame(fc_computer *c)
{
    if (c->out_size + BH_FRAME_MAX > sizeof c->out) {
        fc_flush(c);
    }
    return c->out + c->out_size;
}

void fc_sent(fc_computer *c, size_t size)
{
    c->out_size += size;
}

void fc_flush(fc_computer *c)
{
    if (c->out_size > 0u) {
        fc_port_send(c->out, c->out_size);
        c->out_size = 0;
    }
}

static void send_navigation(fc_computer *c)
{
    const fc_navigation *nav = &c->flight.nav;
    bh_navigation_packet values;
    values.east = nav->position[0];
    values.north = nav->position[1];
    values.up = nav->position[2];
    values.vel_east = nav->velocity[0];
    values.vel_north = nav->velocity[1];
    values.vel_up = nav->velocity[2];
    values.q_w = nav->quaternion[0];
    values.q_x = nav->quaternion[1];
    values.q_y = nav->quaternion[2];
    values.q_z = nav->quaternion[3];
    values.rate_x = nav->rates[0];
    values.rate_y = nav->rates[1];
    values.rate_z = nav->rates[2];
    fc_sent(c, bh_encode_navigation(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_imu_a(fc_computer *c)
{
    const fc_sensors *sensors = &c->flight.sensors;
    bh_imu_a_packet values;
    values.accel_x = (double)sensors->accel_a[0];
    values.accel_y = (double)sensors->accel_a[1];
    values.accel_z = (double)sensors->accel_a[2];
    values.gyro_x = (double)sensors->gyro_a[0];
    values.gyro_y = (double)sensors->gyro_a[1];
    values.gyro_z = (double)sensors->gyro_a[2];
    values.temperature = 298.15;
    fc_sent(c, bh_encode_imu_a(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_imu_b(fc_computer *c)
{
    const fc_sensors *sensors = &c->flight.sensors;
    bh_imu_b_packet values;
    values.accel_x = (double)sensors->accel_b[0];
    values.accel_y = (double)sensors->accel_b[1];
    values.accel_z = (double)sensors->accel_b[2];
    values.gyro_x = (double)sensors->gyro_b[0];
    values.gyro_y = (double)sensors->gyro_b[1];
    values.gyro_z = (double)sensors->gyro_b[2];
    values.temperature = 298.15;
    fc_sent(c, bh_encode_imu_b(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_barometer(fc_computer *c)
{
    bh_barometer_packet values;
    values.pressure = (double)c->flight.sensors.pressure_pa;
    values.temperature = (double)FC_PAD_TEMPERATURE_K;
    values.altitude = c->flight.nav.altitude_baro_m;
    fc_sent(c, bh_encode_barometer(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_fins(fc_computer *c)
{
    const fc_flight *f = &c->flight;
    bh_fins_packet values;
    values.fin_1_commanded = (double)f->fin_commanded[0];
    values.fin_2_commanded = (double)f->fin_commanded[1];
    values.fin_3_commanded = (double)f->fin_commanded[2];
    values.fin_4_commanded = (double)f->fin_commanded[3];
    values.fin_1_measured = (double)f->fin_measured[0];
    values.fin_2_measured = (double)f->fin_measured[1];
    values.fin_3_measured = (double)f->fin_measured[2];
    values.fin_4_measured = (double)f->fin_measured[3];
    values.bus_voltage = (double)f->sensors.battery_v;
    values.bus_current = (double)f->sensors.servo_a;
    values.frame_age = (double)f->cycle_s;
    fc_sent(c, bh_encode_fins(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_control(fc_computer *c)
{
    const fc_flight *f = &c->flight;
    bh_control_packet values;
    values.phase = f->phase;
    values.mode = fc_mode(f);
    values.gate_altitude_met = f->control.altitude_met;
    values.gate_speed_met = f->control.speed_met;
    values.enabled = f->control.enabled;
    values.separated = f->sensors.separated;
    values.deployed = f->deployed;
    values.gate_altitude = FC_GATE_M;
    values.gate_speed = FC_GATE_M_S;
    values.roll_command = (double)f->control.command_rad;
    fc_sent(c, bh_encode_control(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_power(fc_computer *c)
{
    const fc_sensors *sensors = &c->flight.sensors;
    bh_power_packet values;
    values.battery_voltage = (double)sensors->battery_v;
    values.battery_current = (double)sensors->battery_a;
    values.charge_used = c->flight.charge_used_c;
    values.computer_current = (double)sensors->computer_a;
    values.camera_current = (double)(sensors->camera_a[0] + sensors->camera_a[1] + sensors->camera_a[2]);
    values.servo_current = (double)sensors->servo_a;
    fc_sent(c, bh_encode_power(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_cameras(fc_computer *c)
{
    const fc_flight *f = &c->flight;
    bh_cameras_packet values;
    values.camera_1_powered = f->powered[0];
    values.camera_1_recording = f->recording[0];
    values.camera_2_powered = f->powered[1];
    values.camera_2_recording = f->recording[1];
    values.camera_3_powered = f->powered[2];
    values.camera_3_recording = f->recording[2];
    values.camera_1_storage = values.camera_2_storage = values.camera_3_storage = 24e9;
    values.camera_1_current = (double)f->sensors.camera_a[0];
    values.camera_2_current = (double)f->sensors.camera_a[1];
    values.camera_3_current = (double)f->sensors.camera_a[2];
    fc_sent(c, bh_encode_cameras(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_motors(fc_computer *c)
{
    const fc_channel *channel = c->flight.channel;
    bh_motors_packet values;
    values.board_inhibited = c->flight.inhibited;
    values.channel_1_continuity = fc_has_continuity(0);
    values.channel_1_armed = channel[0].armed;
    values.channel_1_fired = channel[0].fired;
    values.channel_2_continuity = fc_has_continuity(1);
    values.channel_2_armed = channel[1].armed;
    values.channel_2_fired = channel[1].fired;
    values.channel_3_continuity = fc_has_continuity(2);
    values.channel_3_armed = channel[2].armed;
    values.channel_3_fired = channel[2].fired;
    values.channel_4_continuity = fc_has_continuity(3);
    values.channel_4_armed = channel[3].armed;
    values.channel_4_fired = channel[3].fired;
    fc_sent(c, bh_encode_motors(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_recovery(fc_computer *c)
{
    const fc_channel *channel = c->flight.channel + FC_LATERALS;
    bh_recovery_packet values;
    values.recovery_1_continuity = fc_has_continuity(FC_LATERALS);
    values.recovery_1_armed = channel[0].armed;
    values.recovery_1_fired = channel[0].fired;
    values.recovery_2_continuity = fc_has_continuity(FC_LATERALS + 1u);
    values.recovery_2_armed = channel[1].armed;
    values.recovery_2_fired = channel[1].fired;
    fc_sent(c, bh_encode_recovery(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_link(fc_computer *c)
{
    bh_link_packet values;
    values.last_counter = c->vehicle.last_counter;
    values.level = -70.0;
    values.frames_good = c->vehicle.frames_good;
    values.frames_bad = c->vehicle.frames_bad;
    values.downlink_level = -70.0;
    fc_sent(c, bh_encode_link(&c->wired, c->now_ms, &values, fc_frame(c)));
}

static void send_startup(fc_computer *c)
{
    bh_startup_packet values;
    values.firmware = "flight example 1";
    fc_sent(c, bh_encode_startup(&c->wired, c->now_ms, &values, fc_frame(c)));
}

void fc_send_identity(fc_computer *c)
{
    fc_sent(c, bh_identity_frame(&c->wired, c->now_ms, fc_frame(c)));
}

/* ---------------------------------------------------------------- events */

void fc_say(fc_computer *c, uint8_t severity, const char *text)
{
    bh_event_packet values;
    values.severity = severity;
    values.text = text;
    fc_sent(c, bh_encode_event(&c->wired, c->now_ms, &values, fc_frame(c)));
}

/* The same with a whole number in the middle. */
void fc_say_number(fc_computer *c, uint8_t severity, const char *before, float number, const char *after)
{
    char text[64];
    char digits[8];
    size_t at = strlen(before), count = 0;
    long value = number > -99999.0F && number < 99999.0F ? (long)(number < 0.0F ? 0.5F - number : 0.5F + number) : 99999L;
    memcpy(text, before, at);
    if (number < 0.0F) {
        text[at++] = '-';
    }
    do {
        digits[count++] = (char)('0' + value % 10);
        value /= 10;
    } while (value > 0);
    while (count > 0u) {
        text[at++] = digits[--count];
    }
    memcpy(text + at, after, strlen(after) + 1u);
    fc_say(c, severity, text);
}

/* ---------------------------------------------------------------- the plan */

typedef struct {
    void (*send)(fc_computer *c);
    uint32_t period_ms;
    uint32_t first_ms;  /* spread out, or all of them would queue for the port at once */
    bool answers_steps; /* in a rehearsal sent after each step, not by the clock */
} fc_due;

static const fc_due plan[FC_PLAN_SIZE] = {
    {fc_send_identity, BH_IDENTITY_PERIOD_MS, 0, false}, {send_navigation, BH_NAVIGATION_PERIOD_MS, 3, true},
    {send_imu_a, BH_IMU_A_PERIOD_MS, 7, false},          {send_imu_b, BH_IMU_B_PERIOD_MS, 11, false},
    {send_barometer, BH_BAROMETER_PERIOD_MS, 17, false}, {send_fins, BH_FINS_PERIOD_MS, 23, true},
    {send_control, BH_CONTROL_PERIOD_MS, 29, true},      {send_power, BH_POWER_PERIOD_MS, 41, false},
    {send_cameras, BH_CAMERAS_PERIOD_MS, 51, false},     {send_motors, BH_MOTORS_PERIOD_MS, 63, false},
    {send_recovery, BH_RECOVERY_PERIOD_MS, 71, false},   {send_link, BH_LINK_PERIOD_MS, 83, false},
};

void fc_plan_anew(fc_computer *c)
{
    unsigned i;
    for (i = 0; i < FC_PLAN_SIZE; i++) {
        c->plan_ms[i] = c->now_ms + plan[i].first_ms;
    }
}

void fc_send_due(fc_computer *c)
{
    unsigned i;
    for (i = 0; i < FC_PLAN_SIZE; i++) {
        if ((int32_t)(c->now_ms - c->plan_ms[i]) < 0 || (plan[i].answers_steps && c->rehearses)) {
            continue;
        }
        plan[i].send(c);
        c->plan_ms[i] += plan[i].period_ms;
        if ((int32_t)(c->now_ms - c->plan_ms[i]) >= 0) { /* a late one is not made up for */
            c->plan_ms[i] = c->now_ms + plan[i].period_ms;
        }
    }
    if (c->startups < 3u && !c->rehearses && c->now_ms >= 100u + 500u * c->startups) {
        c->startups++;
        send_startup(c);
    }
}

/* As the dictionary's [rehearsal] lists them. */
void fc_send_answers_of_step(fc_computer *c)
{
    send_navigation(c);
    send_fins(c);
    send_control(c);
}
