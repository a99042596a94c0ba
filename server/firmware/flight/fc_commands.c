/* Commands: why one is refused now, what it does, and whether its effect came. */
#include "fc.h"
#include "fc_numbers.h"

#include <string.h>

static uint8_t why_not_fire(const fc_computer *c, unsigned channel)
{
    if (c->flight.phase != BH_CONTROL_PHASE_GROUND_TEST) {
        return BH_REASON_NOT_IN_GROUND_TEST;
    }
    if (channel < FC_LATERALS && c->flight.inhibited) {
        return BH_REASON_BOARD_INHIBITED;
    }
    if (!c->flight.channel[channel].armed) {
        return BH_REASON_NOT_ARMED;
    }
    return fc_has_continuity(channel) ? BH_REASON_NONE : BH_REASON_NO_CONTINUITY;
}

static uint8_t why_not_arm(const fc_computer *c, unsigned channel)
{
    if (channel < FC_LATERALS) {
        if (!fc_is_on_ground(&c->flight)) {
            return BH_REASON_NOT_IN_THIS_PHASE;
        }
        if (c->flight.inhibited) {
            return BH_REASON_BOARD_INHIBITED;
        }
    } else if (c->flight.phase != BH_CONTROL_PHASE_GROUND_TEST) {
        return BH_REASON_NOT_IN_GROUND_TEST;
    }
    return fc_has_continuity(channel) ? BH_REASON_NONE : BH_REASON_NO_CONTINUITY;
}

/* Return why a command is refused now, or BH_REASON_NONE. */
static uint8_t why_not(const fc_computer *c, const bh_command *command)
{
    const bh_args *args = &command->args;
    switch (command->code) {
    case BH_COMMAND_CAMERA_POWER:
        return args->camera_power.camera <= FC_CAMERAS ? BH_REASON_NONE : BH_REASON_NOT_FITTED;
    case BH_COMMAND_CAMERA_RECORD:
        return args->camera_record.camera <= FC_CAMERAS ? BH_REASON_NONE : BH_REASON_NOT_FITTED;
    case BH_COMMAND_GROUND_TEST:
    case BH_COMMAND_BOARD_RELEASE:
        if (!fc_is_on_ground(&c->flight)) {
            return BH_REASON_NOT_IN_THIS_PHASE;
        }
        return BH_REASON_NONE;
    case BH_COMMAND_FIN_MOVE:
    case BH_COMMAND_FIN_SWEEP:
    case BH_COMMAND_FIN_CENTER:
        return c->flight.phase == BH_CONTROL_PHASE_GROUND_TEST ? BH_REASON_NONE : BH_REASON_NOT_IN_GROUND_TEST;
    case BH_COMMAND_RECOVERY_SAFE:
        return fc_is_flying(&c->flight) ? BH_REASON_NOT_IN_THIS_PHASE : BH_REASON_NONE;
    case BH_COMMAND_CHANNEL_ARM:
        return why_not_arm(c, args->channel_arm.channel - 1u);
    case BH_COMMAND_CHANNEL_FIRE:
        return why_not_fire(c, args->channel_fire.channel - 1u);
    case BH_COMMAND_RECOVERY_ARM:
        return why_not_arm(c, FC_LATERALS + args->recovery_arm.channel - 1u);
    case BH_COMMAND_RECOVERY_FIRE:
        return why_not_fire(c, FC_LATERALS + args->recovery_fire.channel - 1u);
    default:
        return BH_REASON_NONE;
    }
}

static void change_ground_test(fc_computer *c, bool on)
{
    uint8_t wanted = on ? BH_CONTROL_PHASE_GROUND_TEST : BH_CONTROL_PHASE_PAD;
    if (c->flight.phase != wanted) {
        fc_enter(c, wanted);
    }
}

static void center_fins(fc_flight *f)
{
    unsigned i;
    for (i = 0; i < FC_FINS; i++) {
        f->fin_commanded[i] = 0.0F;
        f->sweep_ms[i] = 0;
    }
}

static void move_fin(fc_flight *f, unsigned fin, float angle_rad)
{
    f->sweep_ms[fin] = 0;
    f->fin_commanded[fin] = angle_rad;
}

/* What begins and ends a rehearsal has been done by the link when it comes here. */
static void act(fc_computer *c, const bh_command *command)
{
    fc_flight *f = &c->flight;
    const bh_args *args = &command->args;
    switch (command->code) {
    case BH_COMMAND_CAMERA_POWER:
        f->powered[args->camera_power.camera - 1u] = args->camera_power.on != 0u;
        f->recording[args->camera_power.camera - 1u] &= args->camera_power.on != 0u;
        break;
    case BH_COMMAND_CAMERA_RECORD:
        f->recording[args->camera_record.camera - 1u] =
            args->camera_record.on != 0u && f->powered[args->camera_record.camera - 1u];
        break;
    case BH_COMMAND_GROUND_TEST:
        change_ground_test(c, args->ground_test.on != 0u);
        break;
    case BH_COMMAND_FIN_MOVE:
        move_fin(f, args->fin_move.fin - 1u, (float)args->fin_move.angle);
        break;
    case BH_COMMAND_FIN_SWEEP:
        f->sweep_ms[args->fin_sweep.fin - 1u] = 2u * FC_SWEEP_MS;
        break;
    case BH_COMMAND_FIN_CENTER:
        center_fins(f);
        break;
    case BH_COMMAND_CHANNEL_SAFE:
        fc_safe(c, args->channel_safe.channel - 1u);
        break;
    case BH_COMMAND_RECOVERY_SAFE:
        fc_safe(c, FC_LATERALS + args->recovery_safe.channel - 1u);
        break;
    case BH_COMMAND_BOARD_INHIBIT:
        fc_inhibit(c);
        break;
    case BH_COMMAND_BOARD_RELEASE:
        f->inhibited = false;
        break;
    case BH_COMMAND_CHANNEL_ARM:
        fc_arm(c, args->channel_arm.channel - 1u, false);
        break;
    case BH_COMMAND_CHANNEL_FIRE:
        (void)fc_fire(c, args->channel_fire.channel - 1u);
        break;
    case BH_COMMAND_RECOVERY_ARM:
        fc_arm(c, FC_LATERALS + args->recovery_arm.channel - 1u, false);
        break;
    case BH_COMMAND_RECOVERY_FIRE:
        (void)fc_fire(c, FC_LATERALS + args->recovery_fire.channel - 1u);
        break;
    default: /* ping */
        break;
    }
}

/* Whether what was ordered came about. In a rehearsal nothing fires, so that firing fails. */
static bool is_done(const fc_flight *f, const bh_command *command)
{
    const bh_args *args = &command->args;
    switch (command->code) {
    case BH_COMMAND_CAMERA_RECORD:
        return f->recording[args->camera_record.camera - 1u] == (args->camera_record.on != 0u);
    case BH_COMMAND_CHANNEL_FIRE:
        return f->channel[args->channel_fire.channel - 1u].fired;
    case BH_COMMAND_RECOVERY_FIRE:
        return f->channel[FC_LATERALS + args->recovery_fire.channel - 1u].fired;
    case BH_COMMAND_FIN_SWEEP:
        return f->sweep_ms[args->fin_sweep.fin - 1u] == 0u;
    default:
        return true;
    }
}

static void answer(fc_computer *c, const bh_command *command, uint8_t stage, uint8_t reason)
{
    fc_sent(c, bh_answer(&c->wired, c->now_ms, command, stage, reason, fc_frame(c)));
}

static void answer_done(fc_computer *c, const bh_command *command)
{
    bool done = is_done(&c->flight, command);
    answer(c, command, done ? BH_STAGE_COMPLETED : BH_STAGE_FAILED, done ? BH_REASON_NONE : BH_REASON_EFFECT_NOT_SEEN);
}

void fc_obey(fc_computer *c, const bh_command *command)
{
    uint8_t reason = why_not(c, command);
    uint32_t after_ms = command->code == BH_COMMAND_FIN_SWEEP ? 2u * FC_SWEEP_MS + FC_EFFECT_MS : FC_EFFECT_MS;
    unsigned i;
    if (reason != BH_REASON_NONE) {
        answer(c, command, BH_STAGE_REFUSED, reason);
        return;
    }
    answer(c, command, BH_STAGE_ACCEPTED, BH_REASON_NONE);
    act(c, command);
    if (command->code == BH_COMMAND_REHEARSAL_ENTER || command->code == BH_COMMAND_REHEARSAL_LEAVE) {
        answer_done(c, command); /* at once: the clock that the others wait by changes with these */
        return;
    }
    for (i = 0; i < FC_WORK_MAX; i++) {
        if (!c->work[i].used) {
            c->work[i].command = *command;
            c->work[i].due_ms = c->now_ms + after_ms;
            c->work[i].used = true;
            return;
        }
    }
    answer_done(c, command); /* too many at once to let each take its time */
}

/* Belongs to the wire: obeyed each time it is heard, at once, and never touching the recovery channels. */
void fc_obey_safe_all(fc_computer *c, const bh_command *command)
{
    answer(c, command, BH_STAGE_ACCEPTED, BH_REASON_NONE);
    fc_inhibit(c);
    answer(c, command, BH_STAGE_COMPLETED, BH_REASON_NONE);
    fc_send_identity(c);
    fc_say(c, BH_EVENT_SEVERITY_INFO, "safe all");
}

void fc_finish_work(fc_computer *c)
{
    unsigned i;
    for (i = 0; i < FC_WORK_MAX; i++) {
        if (c->work[i].used && (int32_t)(c->now_ms - c->work[i].due_ms) >= 0) {
            c->work[i].used = false;
            answer_done(c, &c->work[i].command);
        }
    }
}
