/* An example flight computer for the invented Sandpiper, on the link that `blockhouse firmware` made beside it.
 *
 * It is there to be read and changed, not to be flown as it is: nobody has flown it. It is no safety device; the range
 * safety officer and local law decide what flies.
 *
 *     fc_main.c        one cycle of 10 ms: sensors, estimate, phase, fins; bytes heard; the rehearsal
 *     fc_navigation.c  where it is and how it lies, from gyros, accelerometers, pressure and position fixes
 *     fc_phases.c      the table of phases
 *     fc_control.c     roll control behind its gate
 *     fc_deployment.c  recovery, the lateral channels, and whatever else fires
 *     fc_side_motors.c the second control mode, only with -DFC_SIDE_MOTORS
 *     fc_commands.c    what is obeyed;   fc_packets.c  what is sent
 *     fc_host.c, fc_board_qemu.c         a computer with a pipe; an emulated Cortex-M4 board
 *
 * Everything is in one struct, so that a rehearsal can start the flight software anew. No heap, no interrupt touches it.
 * FC_FAULT=1..9 builds it with a mistake, for trying out a rehearsal; 0 is without. */
#ifndef FC_H
#define FC_H

#include "../blockhouse.h"

#ifndef FC_FAULT
#define FC_FAULT 0
#endif
#if defined(FC_SIDE_MOTORS) && !defined(BH_REHEARSAL)
#error "FC_SIDE_MOTORS releases the firing board by itself: it is an example to rehearse, and is not built for flight"
#endif
#ifndef FC_OUT_SIZE
#define FC_OUT_SIZE 4096u /* frames of one turn of the loop, sent together */
#endif
#define FC_LATERALS 4u
#define FC_RECOVERIES 2u
#define FC_CHANNELS (FC_LATERALS + FC_RECOVERIES)
#define FC_CAMERAS 3u
#define FC_FINS 4u
#define FC_WORK_MAX 4u
#define FC_PLAN_SIZE 12u
#define FC_SIDE_CYCLES 5u

/* What the sensors say, SI units, body axes with +z out of the nose. */
typedef struct {
    float accel_a[3]; /* m/s2, specific force */
    float gyro_a[3];  /* rad/s */
    float accel_b[3];
    float gyro_b[3];
    float pressure_pa;
    float fix_m[2]; /* east, north of the pad */
    bool has_fix;   /* since the last cycle */
    bool separated; /* the switch between the bodies */
    float battery_v;
    float battery_a;
    float computer_a;
    float servo_a;
    float camera_a[FC_CAMERAS];
} fc_sensors;

typedef struct {
    float position[3]; /* east, north, up of the pad, m */
    float velocity[3]; /* m/s */
    float quaternion[4];
    float rates[3]; /* body, without bias, rad/s */
    float altitude_baro_m;
    float climb_m_s; /* of pressure height, smoothed over a second */
    float slow_m;
    float pad_pressure_pa; /* 0: nothing read yet */
    float gyro_bias[3];
    float up_in_body[3];
    float fix_origin_m[2];
#if FC_FAULT == 2
    float unleveled_s; /* since gravity last leveled it */
#endif
    bool is_leveled;
    bool has_origin;
} fc_navigation;

typedef struct {
    bool altitude_met;
    bool speed_met;
    bool enabled;
    float command_rad;
    float reference_rad;
    float on_s;
} fc_control;

typedef struct {
    bool armed;
    bool fired;
    bool lasts; /* armed for the flight, does not run out */
    uint32_t armed_ms;
} fc_channel;

/* What a phase remembers while it lasts; the next one has the same room. */
typedef union {
    struct {
        float held_s;
    } ground;
    struct {
        float held_s;
        float hardest_m_s2;
    } boost;
    struct {
        float held_s;
        float highest_m;
    } coast;
    struct {
        float still_s;
        float no_pressure_until_s; /* since lift-off */
    } descent;
} fc_phase_memory;

#ifdef FC_SIDE_MOTORS
typedef struct {
    bool released; /* the board, by this mode, once a flight */
    bool over;
    bool waits;      /* for the push of the last one ordered to be seen */
    uint8_t ordered; /* a bit a motor */
    uint8_t motor;   /* the last one */
    float since_s;   /* it was ordered */
    float rates[FC_SIDE_CYCLES][2]; /* of the last cycles, the newest first */
} fc_side;
#endif

/* The flight software: all that a start begins anew. */
typedef struct {
    fc_sensors sensors;
    fc_navigation nav;
    fc_control control;
#ifdef FC_SIDE_MOTORS
    fc_side side;
#endif
    fc_phase_memory memory;
    uint8_t phase; /* BH_CONTROL_PHASE_* */
    bool deployed;
    float phase_s;
    float liftoff_s; /* since lift-off; 0 before */
    float cycle_s;   /* the cycle's own length */
    bool inhibited;
    fc_channel channel[FC_CHANNELS]; /* laterals, then recovery */
    float fin_commanded[FC_FINS];
    float fin_measured[FC_FINS];
    uint32_t sweep_ms[FC_FINS]; /* of a sweep still to go, 0 none */
    bool powered[FC_CAMERAS];
    bool recording[FC_CAMERAS];
    float charge_used_c;
} fc_flight;

typedef struct {
    bh_command command;
    uint32_t due_ms;
    bool used;
} fc_work;

/* The computer: what outlives a start of the flight software. */
typedef struct {
    bh_vehicle vehicle;
    bh_link wired;
    fc_flight flight;
    fc_work work[FC_WORK_MAX];
    uint32_t plan_ms[FC_PLAN_SIZE]; /* when each packet is next due */
    uint32_t bench_ms;              /* a clock that runs, whatever is played */
    uint32_t ahead_ms;              /* by how much the vehicle's clock is before it, after rehearsals */
    uint32_t now_ms;                /* the vehicle's clock */
    uint32_t cycle_ms;              /* when the next cycle is due */
    uint32_t told_ms;               /* when the state of the rehearsal was last said */
    uint32_t played_us; /* of the last stimulus */
    uint32_t stepped_us;
    bool rehearses;
    uint8_t startups;
    size_t out_size;
    uint8_t out[FC_OUT_SIZE];
} fc_computer;

/* ---------------------------------------------------------------- what a port provides */

void fc_port_send(const uint8_t *data, size_t size);
void fc_port_sensors(fc_sensors *sensors); /* the board's own, now */
uint32_t fc_port_us(void);                 /* wraps at 2^32 */
uint32_t fc_port_ms(void);                 /* does not wrap before the wire's own 2^32 */
uint32_t fc_port_continuity(void);         /* a bit a channel, laterals first */
void fc_port_fire(unsigned channel);
void fc_port_fins(const float angle_rad[FC_FINS]);

/* ---------------------------------------------------------------- fc_main.c */

void fc_begin(fc_computer *c, const uint8_t *key, uint32_t id, uint64_t boot_id);
void fc_step(fc_computer *c, float seconds);
void fc_turn_of_loop(fc_computer *c, const uint8_t *heard, size_t size);

/* fc_navigation.c */
void fc_read_pressure(fc_navigation *nav, float pressure_pa, float seconds);
bool fc_settle(fc_navigation *nav, const fc_sensors *sensors, float seconds);
void fc_advance(fc_navigation *nav, const fc_sensors *sensors, float seconds, bool under_canopy, bool trust_pressure);
void fc_read_fix(fc_navigation *nav, const float fix_m[2], bool moving, bool under_canopy);
void fc_quiet_again(fc_navigation *nav);
float fc_speed(const fc_navigation *nav);

/* fc_phases.c */
void fc_change_phase(fc_computer *c);
void fc_enter(fc_computer *c, uint8_t phase);
bool fc_is_flying(const fc_flight *f);
bool fc_is_on_ground(const fc_flight *f); /* on the pad or the bench */
bool fc_trusts_pressure(const fc_flight *f);

/* fc_control.c */
void fc_move_fins(fc_computer *c);
uint8_t fc_mode(const fc_flight *f);

/* fc_deployment.c */
bool fc_has_continuity(unsigned channel);
void fc_arm(fc_computer *c, unsigned channel, bool lasts);
void fc_safe(fc_computer *c, unsigned channel);
void fc_inhibit(fc_computer *c);
bool fc_fire(fc_computer *c, unsigned channel);
void fc_arm_recovery(fc_computer *c);
void fc_deploy(fc_computer *c);
void fc_let_arming_expire(fc_computer *c);

#ifdef FC_SIDE_MOTORS
/* fc_side_motors.c */
void fc_use_side_motors(fc_computer *c);
#endif

/* fc_commands.c */
void fc_obey(fc_computer *c, const bh_command *command);
void fc_obey_safe_all(fc_computer *c, const bh_command *command);
void fc_finish_work(fc_computer *c);

/* fc_packets.c */
uint8_t *fc_frame(fc_computer *c);             /* room for one frame */
void fc_sent(fc_computer *c, size_t size);     /* that was made there */
void fc_flush(fc_computer *c);
void fc_send_identity(fc_computer *c);
void fc_send_due(fc_computer *c);
void fc_send_answers_of_step(fc_computer *c);
void fc_plan_anew(fc_computer *c);
void fc_say(fc_computer *c, uint8_t severity, const char *text);
void fc_say_number(fc_computer *c, uint8_t severity, const char *before, float number, const char *after);

#endif
