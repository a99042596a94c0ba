"""The main loop of a small board as a sketch: the packets at their rates, commands heard and answered.

It is text to start from. Values are zero and commands are refused until their owner writes what the board measures and
does; everything between those places is complete.
"""

from __future__ import annotations

from collections.abc import Iterator

from protocol.identity import IDENTITY_NAME
from server.firmware.layout import Layout
from server.firmware.names import comment_text, constant_name

HEAD = """#include "blockhouse.h"
#include "key.h" /* from: blockhouse key export key.h */

/* One radio modem on Serial1. What the loop needs of the board is these four lines and the boot id. */
#define RADIO Serial1
#define BAUD {baud}
static uint32_t now_ms(void) {{ return millis(); }}
static void transmit(const uint8_t *frame, size_t size) {{ RADIO.write(frame, size); }}

static bh_vehicle board;
static bh_link vehicle;
static uint8_t frame[BH_FRAME_MAX];

/* 0: this board cannot tell its starts apart, and obeys nothing but Safe all. bh_starts.h has how to count them. */
static uint64_t next_boot_id(void) {{ return bh_count_boot_id(blockhouse_key, NULL, NULL, NULL, 0); }}
"""


def sketch_text(layout: Layout, notice: str) -> str:
    """Return the sketch for one dictionary; `notice` says where it comes from."""
    dictionary = layout.dictionary
    lines = [
        f"/* {comment_text(dictionary.vehicle)}: the main loop. {notice.split(';')[0]} to start from: it is yours. */",
        HEAD.format(baud=dictionary.modem_baud),
    ]
    for packet, _ in layout.periods():
        lines += _identity() if packet.name == IDENTITY_NAME else _sender(packet.name)
    if "startup" in dictionary.packets:
        lines += _startup()
    if layout.hears:
        lines += [*_obey(layout), *_listen()]
    lines += _loop(layout)
    return "\n".join([*lines, ""])


def _sender(name: str) -> Iterator[str]:
    yield f"static void send_{name}(void)"
    yield "{"
    yield f"    bh_{name}_packet values = bh_{name}_packet();"
    yield "    /* values.... = what the board measures, in the units of bh_dictionary.h */"
    yield f"    transmit(frame, bh_encode_{name}(&vehicle, now_ms(), &values, frame));"
    yield "}"
    yield ""


def _identity() -> Iterator[str]:
    yield "static void send_identity(void)"
    yield "{"
    yield "    transmit(frame, bh_identity_frame(&vehicle, now_ms(), 0, frame));"
    yield "}"
    yield ""


def _startup() -> Iterator[str]:
    yield "static void send_startup(void)"
    yield "{"
    yield "    bh_startup_packet values = bh_startup_packet();"
    yield "    transmit(frame, bh_encode_startup(&vehicle, now_ms(), &values, frame));"
    yield "}"
    yield ""


def _obey(layout: Layout) -> Iterator[str]:
    yield "/* Inhibit everything that can fire but the recovery channels, now, whatever else is going on. */"
    yield "static void safe_all(const bh_command *command)"
    yield "{"
    yield "    /* Answered failed until its act is written. */"
    yield "    transmit(frame, bh_answer(&vehicle, now_ms(), command, BH_STAGE_FAILED, BH_REASON_NONE, frame));"
    yield "    send_identity();"
    yield "}"
    yield ""
    yield "/* Do what is asked, then answer completed or failed. Answer accepted first when it takes a while. */"
    yield "static void obey(const bh_command *command)"
    yield "{"
    yield "    switch (command->code) {"
    for command in layout.commands:
        args = ", ".join(f"args.{command.name}.{arg.name}" for arg in command.args)
        said = comment_text(command.does + (f" [{args}]" if args else ""))
        yield f"    case {constant_name('command', command.name)}: /* {said} */"
    yield "    default:"
    yield "        /* Refused until its act is written: take the case out of this list and give it its own lines. */"
    yield "        transmit(frame, bh_answer(&vehicle, now_ms(), command, BH_STAGE_REFUSED,"
    yield "                                  BH_REASON_UNKNOWN_COMMAND, frame));"
    yield "    }"
    yield "}"
    yield ""


def _listen() -> Iterator[str]:
    yield "static void listen(void)"
    yield "{"
    yield "    while (RADIO.available() > 0) {"
    yield "        bh_command command;"
    yield "        enum bh_heard heard = bh_receive(&vehicle, (uint8_t)RADIO.read(), now_ms(), &command);"
    yield "        if (heard == BH_SAFE_ALL) {"
    yield "            safe_all(&command);"
    yield "        } else if (heard == BH_ORDER) {"
    yield "            obey(&command);"
    yield "        } else if (heard == BH_ANSWERED) {"
    yield "            size_t size;"
    yield "            while ((size = bh_owed_answer(&vehicle, now_ms(), frame)) > 0) {"
    yield "                transmit(frame, size);"
    yield "            }"
    yield "        }"
    yield "    }"
    yield "}"
    yield ""


def _loop(layout: Layout) -> Iterator[str]:
    if "startup" in layout.dictionary.packets or any(layout.periods()):
        yield from _due()
    yield from _setup_and_loop(layout)


def _due() -> Iterator[str]:
    yield "static bool due(uint32_t *last, uint32_t period)"
    yield "{"
    yield "    if (now_ms() - *last < period) {"
    yield "        return false;"
    yield "    }"
    yield "    *last += period;"
    yield "    return true;"
    yield "}"
    yield ""


def _setup_and_loop(layout: Layout) -> Iterator[str]:
    yield "void setup(void)"
    yield "{"
    yield "    RADIO.begin(BAUD);"
    yield "    bh_begin(&board, blockhouse_key, BH_VEHICLE_ID, next_boot_id(), 0, NULL, NULL);"
    yield "    bh_begin_link(&vehicle, &board);"
    yield "}"
    yield ""
    yield "void loop(void)"
    yield "{"
    for packet, _ in layout.periods():
        yield f"    static uint32_t {packet.name}_last;"
    if "startup" in layout.dictionary.packets:
        yield "    static uint32_t startup_last;"
        yield "    static uint8_t startups;"
        yield "    if (startups < 3 && due(&startup_last, 500)) {"
        yield "        startups++;"
        yield "        send_startup();"
        yield "    }"
    if layout.hears:
        yield "    listen();"
    for packet, _ in layout.periods():
        yield f"    if (due(&{packet.name}_last, {constant_name(packet.name, 'period_ms')})) {{"
        yield f"        send_{packet.name}();"
        yield "    }"
    yield "}"
