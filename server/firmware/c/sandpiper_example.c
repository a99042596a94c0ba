/* An example main loop for a computer with a terminal: the invented Sandpiper on its pad, sending its packets at their
 * rates and obeying commands. It speaks over standard input and output, so that a pseudo-terminal or a socket can be
 * put around it. Nothing in it can fire anything: channels are numbers here.
 *
 *     sandpiper_example KEY_FILE STARTS_FILE [VEHICLE_ID]
 *
 * KEY_FILE holds the command key in hexadecimal, as the station keeps it; STARTS_FILE holds the count of starts and is
 * made when missing. Where it cannot be written the vehicle has no start id, obeys nothing but Safe all and says so. */
#define _POSIX_C_SOURCE 200809L

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "../blockhouse.h"
#include "host_files.h"

#define PENDING_MAX 4u
#define ARM_EXPIRES_MS 60000u
#define EFFECT_MS 300u
#define FIN_TRAVEL_RAD 0.2618

typedef struct {
    bool continuity;
    bool armed;
    bool fired;
    uint32_t armed_ms;
} channel;

typedef struct {
    bh_command command;
    uint32_t due_ms;
    bool used;
} pending;

typedef struct {
    bh_vehicle self;
    bh_link radio;
    uint8_t frame[BH_FRAME_MAX];
    uint8_t phase;
    bool inhibited;
    bool powered[3];
    bool recording[3];
    double fin[4];
    channel lateral[4];
    channel recovery[2];
    pending work[PENDING_MAX];
} vehicle;

static uint32_t now_ms(void)
{
    static struct timespec begun;
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    if (begun.tv_sec == 0 && begun.tv_nsec == 0) {
        begun = now;
    }
    return (uint32_t)((int64_t)(now.tv_sec - begun.tv_sec) * 1000 + (now.tv_nsec - begun.tv_nsec) / 1000000);
}

static void transmit(const uint8_t *frame, size_t size)
{
    while (size > 0u) {
        ssize_t sent = write(STDOUT_FILENO, frame, size);
        if (sent < 0 && errno != EINTR) {
            exit(0); /* the other end is gone */
        }
        if (sent > 0) {
            frame += sent;
            size -= (size_t)sent;
        }
    }
}

/* ---------------------------------------------------------------- what is sent */

static void send_navigation(vehicle *v)
{
    bh_navigation_packet values = {0};
    values.q_w = 1.0F;
    transmit(v->frame, bh_encode_navigation(&v->radio, now_ms(), &values, v->frame));
}

static void send_imu_a(vehicle *v)
{
    bh_imu_a_packet values = {0};
    values.accel_z = 9.81;
    values.temperature = 298.15;
    transmit(v->frame, bh_encode_imu_a(&v->radio, now_ms(), &values, v->frame));
}

static void send_imu_b(vehicle *v)
{
    bh_imu_b_packet values = {0};
    values.accel_z = 9.80;
    values.temperature = 298.35;
    transmit(v->frame, bh_encode_imu_b(&v->radio, now_ms(), &values, v->frame));
}

static void send_barometer(vehicle *v)
{
    bh_barometer_packet values = {0};
    values.pressure = 94123.45;
    values.temperature = 291.15;
    transmit(v->frame, bh_encode_barometer(&v->radio, now_ms(), &values, v->frame));
}

static void send_fins(vehicle *v)
{
    bh_fins_packet values = {0};
    values.fin_1_commanded = values.fin_1_measured = v->fin[0];
    values.fin_2_commanded = values.fin_2_measured = v->fin[1];
    values.fin_3_commanded = values.fin_3_measured = v->fin[2];
    values.fin_4_commanded = values.fin_4_measured = v->fin[3];
    values.bus_voltage = 6.0;
    values.bus_current = 0.2;
    values.frame_age = 0.01;
    transmit(v->frame, bh_encode_fins(&v->radio, now_ms(), &values, v->frame));
}

static void send_control(vehicle *v)
{
    bh_control_packet values = {0};
    values.phase = v->phase;
    values.mode = v->phase == BH_CONTROL_PHASE_GROUND_TEST ? BH_CONTROL_MODE_BENCH : BH_CONTROL_MODE_OFF;
    values.gate_altitude = 60.0F;
    values.gate_speed = 30.0F;
    transmit(v->frame, bh_encode_control(&v->radio, now_ms(), &values, v->frame));
}

static void send_power(vehicle *v)
{
    bh_power_packet values = {0};
    double cameras = 0.35 * (v->powered[0] + v->powered[1] + v->powered[2]);
    values.battery_voltage = 8.1;
    values.battery_current = 0.42 + cameras;
    values.computer_current = 0.22;
    values.camera_current = cameras;
    values.servo_current = 0.2;
    transmit(v->frame, bh_encode_power(&v->radio, now_ms(), &values, v->frame));
}

static void send_cameras(vehicle *v)
{
    bh_cameras_packet values = {0};
    values.camera_1_powered = v->powered[0];
    values.camera_2_powered = v->powered[1];
    values.camera_3_powered = v->powered[2];
    values.camera_1_recording = v->recording[0];
    values.camera_2_recording = v->recording[1];
    values.camera_3_recording = v->recording[2];
    values.camera_1_storage = values.camera_2_storage = values.camera_3_storage = 24e9;
    values.camera_1_current = v->powered[0] ? 0.35 : 0.0;
    values.camera_2_current = v->powered[1] ? 0.35 : 0.0;
    values.camera_3_current = v->powered[2] ? 0.35 : 0.0;
    transmit(v->frame, bh_encode_cameras(&v->radio, now_ms(), &values, v->frame));
}

static void send_motors(vehicle *v)
{
    bh_motors_packet values = {0};
    values.board_inhibited = v->inhibited;
    values.channel_1_continuity = v->lateral[0].continuity;
    values.channel_1_armed = v->lateral[0].armed;
    values.channel_1_fired = v->lateral[0].fired;
    values.channel_2_continuity = v->lateral[1].continuity;
    values.channel_2_armed = v->lateral[1].armed;
    values.channel_2_fired = v->lateral[1].fired;
    values.channel_3_continuity = v->lateral[2].continuity;
    values.channel_3_armed = v->lateral[2].armed;
    values.channel_3_fired = v->lateral[2].fired;
    values.channel_4_continuity = v->lateral[3].continuity;
    values.channel_4_armed = v->lateral[3].armed;
    values.channel_4_fired = v->lateral[3].fired;
    transmit(v->frame, bh_encode_motors(&v->radio, now_ms(), &values, v->frame));
}

static void send_recovery(vehicle *v)
{
    bh_recovery_packet values = {0};
    values.recovery_1_continuity = v->recovery[0].continuity;
    values.recovery_1_armed = v->recovery[0].armed;
    values.recovery_1_fired = v->recovery[0].fired;
    values.recovery_2_continuity = v->recovery[1].continuity;
    values.recovery_2_armed = v->recovery[1].armed;
    values.recovery_2_fired = v->recovery[1].fired;
    transmit(v->frame, bh_encode_recovery(&v->radio, now_ms(), &values, v->frame));
}

static void send_link(vehicle *v)
{
    bh_link_packet values = {0};
    values.last_counter = v->self.last_counter;
    values.level = -70.0;
    values.frames_good = v->self.frames_good;
    values.frames_bad = v->self.frames_bad;
    values.downlink_level = -70.0;
    transmit(v->frame, bh_encode_link(&v->radio, now_ms(), &values, v->frame));
}

static void send_identity(vehicle *v)
{
    transmit(v->frame, bh_identity_frame(&v->radio, now_ms(), v->frame));
}

static void send_event(vehicle *v, const char *text)
{
    bh_event_packet values = {0};
    values.severity = BH_EVENT_SEVERITY_INFO;
    values.text = text;
    transmit(v->frame, bh_encode_event(&v->radio, now_ms(), &values, v->frame));
}

static void send_startup(vehicle *v)
{
    bh_startup_packet values = {0};
    values.firmware = "example 1";
    transmit(v->frame, bh_encode_startup(&v->radio, now_ms(), &values, v->frame));
}

/* ---------------------------------------------------------------- what is obeyed */

static bool on_bench(const vehicle *v)
{
    return v->phase == BH_CONTROL_PHASE_GROUND_TEST;
}

static uint8_t why_not_fire(const vehicle *v, const channel *c)
{
    if (!on_bench(v)) {
        return BH_REASON_NOT_IN_GROUND_TEST;
    }
    return !c->armed ? BH_REASON_NOT_ARMED : !c->continuity ? BH_REASON_NO_CONTINUITY : BH_REASON_NONE;
}

/* Return why a command is refused now, or BH_REASON_NONE. */
static uint8_t why_not(const vehicle *v, const bh_command *command)
{
    const bh_args *args = &command->args;
    switch (command->code) {
    case BH_COMMAND_CAMERA_POWER:
        return args->camera_power.camera <= 3u ? BH_REASON_NONE : BH_REASON_NOT_FITTED;
    case BH_COMMAND_CAMERA_RECORD:
        return args->camera_record.camera <= 3u ? BH_REASON_NONE : BH_REASON_NOT_FITTED;
    case BH_COMMAND_FIN_MOVE:
    case BH_COMMAND_FIN_SWEEP:
    case BH_COMMAND_FIN_CENTER:
        return on_bench(v) ? BH_REASON_NONE : BH_REASON_NOT_IN_GROUND_TEST;
    case BH_COMMAND_CHANNEL_ARM:
        if (v->inhibited) {
            return BH_REASON_BOARD_INHIBITED;
        }
        return v->lateral[args->channel_arm.channel - 1u].continuity ? BH_REASON_NONE : BH_REASON_NO_CONTINUITY;
    case BH_COMMAND_CHANNEL_FIRE:
        return v->inhibited ? BH_REASON_BOARD_INHIBITED
                            : why_not_fire(v, &v->lateral[args->channel_fire.channel - 1u]);
    case BH_COMMAND_RECOVERY_ARM:
        if (!on_bench(v)) {
            return BH_REASON_NOT_IN_GROUND_TEST;
        }
        return v->recovery[args->recovery_arm.channel - 1u].continuity ? BH_REASON_NONE : BH_REASON_NO_CONTINUITY;
    case BH_COMMAND_RECOVERY_FIRE:
        return why_not_fire(v, &v->recovery[args->recovery_fire.channel - 1u]);
    default:
        return BH_REASON_NONE;
    }
}

static void safe(channel *c)
{
    c->armed = false;
}

static void arm(channel *c)
{
    c->armed = true;
    c->armed_ms = now_ms();
}

/* The one place where current would be switched: it asks the output gate, whoever wants it. */
static void fire(vehicle *v, channel *c, unsigned number)
{
    if (!bh_may_fire(&v->self, number)) {
        return;
    }
    c->armed = false;
    c->fired = true;
    c->continuity = false;
}

static void act(vehicle *v, const bh_command *command)
{
    const bh_args *args = &command->args;
    switch (command->code) {
    case BH_COMMAND_CAMERA_POWER:
        v->powered[args->camera_power.camera - 1u] = args->camera_power.on != 0u;
        break;
    case BH_COMMAND_CAMERA_RECORD:
        v->recording[args->camera_record.camera - 1u] = args->camera_record.on != 0u;
        break;
    case BH_COMMAND_GROUND_TEST:
        v->phase = args->ground_test.on != 0u ? BH_CONTROL_PHASE_GROUND_TEST : BH_CONTROL_PHASE_PAD;
        break;
    case BH_COMMAND_FIN_MOVE:
        v->fin[args->fin_move.fin - 1u] = args->fin_move.angle;
        break;
    case BH_COMMAND_FIN_SWEEP:
        v->fin[args->fin_sweep.fin - 1u] = 0.0;
        break;
    case BH_COMMAND_FIN_CENTER:
        memset(v->fin, 0, sizeof v->fin);
        break;
    case BH_COMMAND_CHANNEL_SAFE:
        safe(&v->lateral[args->channel_safe.channel - 1u]);
        break;
    case BH_COMMAND_RECOVERY_SAFE:
        safe(&v->recovery[args->recovery_safe.channel - 1u]);
        break;
    case BH_COMMAND_BOARD_INHIBIT:
        v->inhibited = true;
        break;
    case BH_COMMAND_BOARD_RELEASE:
        v->inhibited = false;
        break;
    case BH_COMMAND_CHANNEL_ARM:
        arm(&v->lateral[args->channel_arm.channel - 1u]);
        break;
    case BH_COMMAND_CHANNEL_FIRE:
        fire(v, &v->lateral[args->channel_fire.channel - 1u], BH_CHANNEL_1 + args->channel_fire.channel - 1u);
        break;
    case BH_COMMAND_RECOVERY_ARM:
        arm(&v->recovery[args->recovery_arm.channel - 1u]);
        break;
    case BH_COMMAND_RECOVERY_FIRE:
        fire(v, &v->recovery[args->recovery_fire.channel - 1u], BH_RECOVERY_1 + args->recovery_fire.channel - 1u);
        break;
    default: /* ping */
        break;
    }
}

static void answer(vehicle *v, const bh_command *command, uint8_t stage, uint8_t reason)
{
    transmit(v->frame, bh_answer(&v->radio, now_ms(), command, stage, reason, v->frame));
}

static void obey(vehicle *v, const bh_command *command)
{
    uint8_t reason = why_not(v, command);
    unsigned i;
    if (reason != BH_REASON_NONE) {
        answer(v, command, BH_STAGE_REFUSED, reason);
        return;
    }
    answer(v, command, BH_STAGE_ACCEPTED, BH_REASON_NONE);
    act(v, command);
    for (i = 0; i < PENDING_MAX; i++) {
        if (!v->work[i].used) {
            v->work[i].command = *command;
            v->work[i].due_ms = now_ms() + EFFECT_MS;
            v->work[i].used = true;
            return;
        }
    }
    answer(v, command, BH_STAGE_COMPLETED, BH_REASON_NONE); /* too many at once to let each take its time */
}

/* Belongs to the wire: obeyed each time it is heard, at once, and never touching the recovery channels. */
static void safe_all(vehicle *v, const bh_command *command)
{
    unsigned i;
    answer(v, command, BH_STAGE_ACCEPTED, BH_REASON_NONE);
    v->inhibited = true;
    for (i = 0; i < 4u; i++) {
        safe(&v->lateral[i]);
    }
    answer(v, command, BH_STAGE_COMPLETED, BH_REASON_NONE);
    send_identity(v);
    send_event(v, "safe all");
}

static void finish_work(vehicle *v)
{
    unsigned i;
    for (i = 0; i < PENDING_MAX; i++) {
        if (v->work[i].used && (int32_t)(now_ms() - v->work[i].due_ms) >= 0) {
            v->work[i].used = false;
            answer(v, &v->work[i].command, BH_STAGE_COMPLETED, BH_REASON_NONE);
        }
    }
    for (i = 0; i < 6u; i++) {
        channel *c = i < 4u ? &v->lateral[i] : &v->recovery[i - 4u];
        if (c->armed && now_ms() - c->armed_ms >= ARM_EXPIRES_MS) {
            safe(c);
        }
    }
}

static void hear(vehicle *v, uint8_t octet)
{
    bh_command command;
    size_t size;
    switch (bh_receive(&v->radio, octet, now_ms(), &command)) {
    case BH_SAFE_ALL:
        safe_all(v, &command);
        break;
    case BH_ORDER:
        obey(v, &command);
        break;
    case BH_ANSWERED:
        while ((size = bh_owed_answer(&v->radio, now_ms(), v->frame)) > 0u) {
            transmit(v->frame, size);
        }
        break;
    default:
        break;
    }
}

/* ---------------------------------------------------------------- the loop */

typedef struct {
    void (*send)(vehicle *v);
    uint32_t period_ms;
    uint32_t next_ms;
} schedule;

static void run(vehicle *v)
{
    schedule plan[] = {
        {send_navigation, BH_NAVIGATION_PERIOD_MS, 200}, {send_imu_a, BH_IMU_A_PERIOD_MS, 203},
        {send_imu_b, BH_IMU_B_PERIOD_MS, 207},           {send_barometer, BH_BAROMETER_PERIOD_MS, 211},
        {send_fins, BH_FINS_PERIOD_MS, 217},             {send_control, BH_CONTROL_PERIOD_MS, 223},
        {send_power, BH_POWER_PERIOD_MS, 229},           {send_cameras, BH_CAMERAS_PERIOD_MS, 241},
        {send_motors, BH_MOTORS_PERIOD_MS, 251},         {send_recovery, BH_RECOVERY_PERIOD_MS, 263},
        {send_link, BH_LINK_PERIOD_MS, 271},             {send_identity, BH_IDENTITY_PERIOD_MS, 50},
    };
    uint32_t startup_ms = 100;
    unsigned startups = 0;
    for (;;) {
        struct pollfd input = {STDIN_FILENO, POLLIN, 0};
        uint8_t heard[256];
        unsigned i;
        if (poll(&input, 1, 2) > 0) {
            ssize_t size = read(STDIN_FILENO, heard, sizeof heard);
            ssize_t k;
            if (size == 0 || (size < 0 && errno != EINTR)) {
                return;
            }
            for (k = 0; k < size; k++) {
                hear(v, heard[k]);
            }
        }
        finish_work(v);
        if (startups < 3u && now_ms() >= startup_ms) {
            startups++;
            startup_ms += 500u;
            send_startup(v);
        }
        for (i = 0; i < sizeof plan / sizeof plan[0]; i++) {
            if ((int32_t)(now_ms() - plan[i].next_ms) >= 0) {
                plan[i].next_ms += plan[i].period_ms;
                plan[i].send(v);
            }
        }
    }
}

int main(int count, char **words)
{
    static vehicle v;
    static uint8_t key[BH_KEY_SIZE];
    uint32_t id = BH_VEHICLE_ID;
    unsigned i;
    if (count == 4) {
        id = (uint32_t)strtoul(words[3], NULL, 10);
    }
    if (count < 3 || count > 4 || !read_key(words[1], key) || id == 0u) {
        fprintf(stderr, "usage: sandpiper_example KEY_FILE STARTS_FILE [VEHICLE_ID]\n");
        return 2;
    }
    bh_begin(&v.self, key, id, bh_count_boot_id(key, count_start, words[2], NULL, 0), 0, NULL, NULL);
    bh_begin_link(&v.radio, &v.self);
    v.phase = BH_CONTROL_PHASE_PAD;
    v.inhibited = true;
    for (i = 0; i < 4u; i++) {
        v.lateral[i].continuity = true;
    }
    v.recovery[0].continuity = v.recovery[1].continuity = true;
    (void)now_ms();
    send_event(&v, "startup");
    run(&v);
    return 0;
}
