"""The main loop of a small board as a sketch: the packets at their rates, commands heard and answered.

It is text to start from. Values are zero and commands are refused until their owner writes what the board measures and
does; everything between those places is complete. One time round the loop does one thing that takes time, a frame judged
or a frame made, and never waits for the radio: what is to be sent stands in a queue, and leaves it as the port has room.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from math import lcm

from protocol.commands import Command
from protocol.identity import IDENTITY_NAME
from server.firmware import sketch_rehearsal as rehearsal
from server.firmware.layout import Layout
from server.firmware.names import comment_text, constant_name

PHASES_TRIED = 40  # beginnings tried for each packet, over its period
SPAN_MAX_MS = 4000  # of the time over which they are looked at
NEAR_MS = 10  # packets nearer to each other than this are in each other's way
STARTUP, STARTUP_PERIOD_MS = "startup", 500

HEAD = """#include "blockhouse.h"
#include "key.h" /* from: blockhouse key export key.h; it is a secret: switch the chip's readout protection on */

/* What the loop needs of the board: a serial port with the radio modem, whose availableForWrite() tells how many bytes it
 * takes without waiting (where that is always 0 nothing is ever sent), and a clock in milliseconds. */
{port}#define BAUD {baud}
{clock}
/* The count of starts, from which the boot id is made: a command for one start must be none for the next. Switched on with
 * STARTS_IN_EEPROM it is kept in {eeprom_size} bytes of EEPROM, written at a start only, {starts} starts for each erasure.
 * Boards that imitate an EEPROM in flash want a begin before and a commit after it; for flash itself see bh_starts.h. Keep
 * it out of what programming the board erases, or make a new key then. Without it the boot id is 0: telemetry is sent and
 * Safe all is obeyed, every other command is refused, and the station says why. An unconnected pin or the time since the
 * start is no replacement. */
/* #define STARTS_IN_EEPROM */
#ifdef STARTS_IN_EEPROM
#include <EEPROM.h>
#include "bh_starts.h"
#define STARTS_AT 0
#define STARTS_PAGE {page}u
static bool starts_read(void *, uint32_t at, uint8_t *data, uint32_t size)
{{
    for (uint32_t i = 0; i < size; i++) {{
        data[i] = EEPROM.read((int)(STARTS_AT + at + i));
    }}
    return true;
}}
static bool starts_program(void *, uint32_t at, const uint8_t *data, uint32_t size)
{{
    for (uint32_t i = 0; i < size; i++) {{
        EEPROM.write((int)(STARTS_AT + at + i), data[i]);
    }}
    return true;
}}
static bool starts_erase(void *, uint32_t at)
{{
    for (uint32_t i = 0; i < STARTS_PAGE; i++) {{
        EEPROM.write((int)(STARTS_AT + at + i), 0xFF);
    }}
    return true;
}}
static bh_flash starts_memory = {{starts_read, starts_program, starts_erase, NULL, STARTS_PAGE}};
static uint64_t next_boot_id(void) {{ return bh_count_boot_id(blockhouse_key, bh_flash_count, &starts_memory, NULL, 0); }}
#else
static uint64_t next_boot_id(void) {{ return bh_count_boot_id(blockhouse_key, NULL, NULL, NULL, 0); }}
#endif

{state}static uint8_t frame[BH_FRAME_MAX];

/* What waits to be sent. A frame goes in whole or not at all, so that none is torn; one that finds no room is counted, and
 * the ground sees it missing. Telemetry leaves room for what answers a command. */
#define OUT_SIZE 512u
#define OUT_FOR_ANSWERS {reserve}u
static uint8_t out[OUT_SIZE];
static size_t out_first;
static size_t out_count;
uint32_t frames_dropped;

static void queue_frame(size_t size, size_t kept_free)
{{
    if (size + kept_free > OUT_SIZE - out_count) {{
        frames_dropped++;
        return;
    }}
    for (size_t i = 0; i < size; i++) {{
        out[(out_first + out_count++) % OUT_SIZE] = frame[i];
    }}
}}

static void empty_queue(void)
{{
    size_t room = (size_t)RADIO.availableForWrite();
    while (room > 0 && out_count > 0) {{
        size_t run = OUT_SIZE - out_first;
        run = run < out_count ? run : out_count;
        run = run < room ? run : room;
        run = RADIO.write(out + out_first, run);
        if (run == 0) {{
            return;
        }}
        out_first = (out_first + run) % OUT_SIZE;
        out_count -= run;
        room -= run;
    }}
}}
"""
PORT = "#define RADIO Serial1\n"
CLOCK = "static uint32_t now_ms(void) { return millis(); }\n"
STATE = "static bh_vehicle board;\nstatic bh_link vehicle;\n"
EEPROM_PAGE = 64
RECORD_SIZE = 8  # bh_starts.c
ANSWER_ROOM = 160  # two answers of a repeat, an identity, and half as much again

GATE = """/* The output gate. Every pin that can fire is switched in here and nowhere else, whoever wants it: a command, the
 * flight software, a timer. `channel` is {channels}. Tells whether it may. Whoever changes this: somebody's face may be
 * over the motor. It is no replacement for the arming key and for igniters that are taken out. */
bool fire(unsigned channel);
bool fire(unsigned channel)
{
    if (!bh_may_fire(&board, channel)) {
        return false;
    }
    /* switch the current of this channel here */
    return true;
}
"""
SAFE_ALL = """/* Inhibit everything that can fire but the recovery channels, now, whatever else is going on. */
static void safe_all(const bh_command *command)
{{
    /* Answered failed until its act is written; then BH_STAGE_COMPLETED. */
    queue_frame(bh_answer(&vehicle, now_ms(), command, BH_STAGE_FAILED, BH_REASON_NONE, frame), 0);
    plan[{identity}].due_ms = now_ms(); /* and who says so, at once */
}}
"""

HEAR = """/* Take what has come in, to the end of one frame at most: judging it is work enough for one time round the loop.
 * Tells whether one has ended. */
static bool hear_radio(void)
{
    while (RADIO.available() > 0) {
        bh_command command;
        size_t size;
        switch (bh_receive(&vehicle, (uint8_t)RADIO.read(), now_ms(), &command)) {
        case BH_NOTHING:
            break;
        case BH_SAFE_ALL:
            safe_all(&command);
            return true;
        case BH_ORDER:
            obey(&command);
            return true;
        case BH_ANSWERED:
            while ((size = bh_owed_answer(&vehicle, now_ms(), frame)) > 0) {
                queue_frame(size, 0);
            }
            return true;
        case BH_DROPPED:
            return true;
{stimulus}        }
    }
    return false;
}
"""

SEND_DUE = """/* Make the one frame that is most overdue. A packet held up for longer than its period goes on from now. */
static void make_due_frame(void)
{
    uint32_t now = now_ms();
    regular *next = NULL;
    for (size_t i = 0; i < sizeof plan / sizeof plan[0]; i++) {
        if ((int32_t)(now - plan[i].due_ms) >= 0 &&
            (next == NULL || (int32_t)(next->due_ms - plan[i].due_ms) > 0)) {
            next = &plan[i];
        }
    }
    if (next != NULL) {
        next->due_ms += next->period_ms;
        if ((int32_t)(now - next->due_ms) >= 0) {
            next->due_ms = now + next->period_ms;
        }
        next->send();
    }
}
"""

SETUP = """void setup(void)
{
    RADIO.begin(BAUD);
    bh_begin(&board, blockhouse_key, BH_VEHICLE_ID, next_boot_id(), 0, NULL, NULL);
    bh_begin_link(&vehicle, &board);
{wired}    for (size_t i = 0; i < sizeof plan / sizeof plan[0]; i++) {
        plan[i].due_ms += now_ms();
    }
}
"""


def sketch_text(layout: Layout, notice: str) -> str:
    """Return the sketch for one dictionary; `notice` says where it comes from."""
    dictionary = layout.dictionary
    rehearses = bool(layout.stimuli)
    head = HEAD.format(
        port=rehearsal.PORT if rehearses else PORT,
        clock=rehearsal.CLOCK if rehearses else CLOCK,
        state="" if rehearses else STATE,
        baud=dictionary.modem_baud,
        eeprom_size=2 * EEPROM_PAGE,
        page=EEPROM_PAGE,
        starts=EEPROM_PAGE // RECORD_SIZE,
        reserve=ANSWER_ROOM,
    )
    lines = [
        f"/* {comment_text(dictionary.vehicle)}: the main loop. {notice.split(';')[0]} to start from: it is yours. */",
        head,
    ]
    plan = list(phases(layout))
    for name, _, _ in plan:
        lines += _sender(layout, name)
    lines += _plan(layout, plan)
    if layout.hears:
        lines += [*_gate(layout)]
        lines += [SAFE_ALL.format(identity=[name for name, _, _ in plan].index(IDENTITY_NAME)), *_obey(layout)]
        lines += [*rehearsal.played(layout), HEAR.replace("{stimulus}", rehearsal.HEARD * rehearses)]
    setup = SETUP.replace("{wired}", rehearsal.WIRED * rehearses)
    return "\n".join([*lines, SEND_DUE, setup, *_loop(layout), ""])


def phases(layout: Layout) -> Iterator[tuple[str, int, int]]:
    """Yield (packet, period in ms, beginning in ms after the start) of what is sent regularly, the start-up packet included.

    Each begins where those before it, the frequent ones first, leave most room; all together at 0 they would fill any queue.
    """
    packets = [(packet.name, period, packet.frame_bytes) for packet, period in layout.periods()]
    if STARTUP in layout.dictionary.packets and all(name != STARTUP for name, _, _ in packets):
        packets.append((STARTUP, STARTUP_PERIOD_MS, layout.dictionary.packets[STARTUP].frame_bytes))
    span = min(lcm(*(period for _, period, _ in packets)), SPAN_MAX_MS)
    load = [0] * span
    chosen = {}
    for name, period, size in sorted(packets, key=lambda packet: packet[1]):
        tried = range(0, min(period, span), max(1, min(period, span) // PHASES_TRIED))
        chosen[name] = min(tried, key=partial(_met, load, period))
        for at in range(chosen[name], span, period):
            load[at] += size
    yield from ((name, period, chosen[name]) for name, period, _ in packets)


def _met(load: list[int], period: int, begin: int) -> float:
    """Return the bytes that a packet beginning there meets near itself, the nearest counted most, each time it is sent."""
    times = range(begin, len(load), period)
    weights = [(near, NEAR_MS + 1 - abs(near)) for near in range(-NEAR_MS, NEAR_MS + 1)]
    return sum(load[(at + near) % len(load)] * weight for at in times for near, weight in weights) / len(times)


def _sender(layout: Layout, name: str) -> Iterator[str]:
    stem = layout.names.packets[name]
    yield f"static void send_{stem}(void)"
    yield "{"
    if name == IDENTITY_NAME:
        yield "    queue_frame(bh_identity_frame(&vehicle, now_ms(), frame), 0);"
    else:
        if name == STARTUP and layout.dictionary.packets[name].rate_hz == 0.0:
            yield "    static uint8_t said;"
            yield "    if (said == 3) {"
            yield "        return; /* three times, since one may be lost */"
            yield "    }"
            yield "    said++;"
        yield f"    bh_{stem}_packet values = bh_{stem}_packet();"
        yield "    /* values.... = what the board measures, in the units of bh_dictionary.h */"
        yield f"    queue_frame(bh_encode_{stem}(&vehicle, now_ms(), &values, frame), OUT_FOR_ANSWERS);"
    yield "}"
    yield ""


def _plan(layout: Layout, plan: list[tuple[str, int, int]]) -> Iterator[str]:
    yield "/* What is sent regularly: every so many ms, and for the first time so many ms after the start. They begin apart,"
    yield " * so that they are not all made and sent at once. */"
    yield "typedef struct {"
    yield "    void (*send)(void);"
    yield "    uint32_t period_ms;"
    yield "    uint32_t due_ms;"
    yield "} regular;"
    yield "static regular plan[] = {"
    for name, period, begin in plan:
        stem = layout.names.packets[name]
        is_regular = layout.dictionary.packets[name].rate_hz > 0.0
        yield f"    {{send_{stem}, {constant_name(stem, 'period_ms') if is_regular else f'{period}u'}, {begin}u}},"
    yield "};"
    yield ""


def _gate(layout: Layout) -> Iterator[str]:
    if layout.names.firing:
        first, *_, last = (
            layout.names.firing.values() if len(layout.names.firing) > 1 else [*layout.names.firing.values()] * 2
        )
        yield GATE.replace("{channels}", first if first == last else f"{first} ... {last}")


def _obey(layout: Layout) -> Iterator[str]:
    yield "/* Do what is asked, then answer completed or failed. Answer accepted first when it takes a while. */"
    yield "static void obey(const bh_command *command)"
    yield "{"
    yield "    switch (command->code) {"
    for command in layout.commands:
        said = comment_text(command.does + _arguments(layout, command))
        yield f"    case {constant_name('command', layout.names.commands[command.name])}: /* {said} */"
    yield "    default:"
    yield "        /* Refused until its act is written: take the case out of this list and give it its own lines. */"
    refused = "BH_STAGE_REFUSED, BH_REASON_UNKNOWN_COMMAND"
    yield f"        queue_frame(bh_answer(&vehicle, now_ms(), command, {refused}, frame), 0);"
    yield "    }"
    yield "}"
    yield ""


def _arguments(layout: Layout, command: Command) -> str:
    member = layout.names.command_members[command.name]
    args = ", ".join(f"command->args.{member}.{layout.argument_name(command, arg)}" for arg in command.args)
    return f" [{args}]" if args else ""


def _loop(layout: Layout) -> Iterator[str]:
    yield "void loop(void)"
    yield "{"
    yield "    empty_queue();"
    if layout.stimuli:
        yield rehearsal.LOOP
    if layout.hears:
        yield "    if (!hear_radio()) {"
        yield "        make_due_frame();"
        yield "    }"
    else:
        yield "    make_due_frame();"
    yield "    empty_queue();"
    yield "}"
