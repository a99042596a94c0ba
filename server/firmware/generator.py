"""`blockhouse firmware`: a dictionary written out as C tables and structs, beside the library that works with them.

`bh_wire` and `bh_link` are the same for every vehicle and are copied; `bh_dictionary` and `blockhouse.h` are made here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

from protocol.commands import Argument, Command
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.fields import Packet
from protocol.rehearsal import REHEARSAL_NAME
from server.firmware.layout import FirmwareProblem, Layout
from server.firmware.names import LIBRARY, comment_text, constant_name, string_literal
from server.firmware.rehearsal_text import (
    BEGIN,
    END,
    channel_lines,
    declarations,
    extern_lines,
    field_table,
    header_lines,
    player_lines,
    table_lines,
)
from server.firmware.sketch import sketch_text

HOST = ("bh_host.c",)
SANDPIPER_EXAMPLE = "sandpiper_example.c"
HOST_FILES = "host_files.h"
# What has a main of its own: in a folder that no sketch builder compiles.
HOST_FOLDER = "host"
# What a sketch builder takes for a sketch's and its folder's name (and every file system takes too).
SKETCH_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,62}")
MAY_SEND = """/* Whether a frame that takes `frame_ms` on the air may begin now, between two listening slots of the radio. */
static inline bool bh_may_send(uint32_t time_ms, uint32_t frame_ms)
{
#if BH_LISTEN_EVERY_MS > 0
    uint32_t since = time_ms % BH_LISTEN_EVERY_MS;
    return since >= BH_LISTEN_FOR_MS && since + frame_ms <= BH_LISTEN_EVERY_MS;
#else
    (void)time_ms;
    (void)frame_ms;
    return true;
#endif
}
""".splitlines()
GUIDE = "GUIDE.md"
NOTICE = "Made by `blockhouse firmware`; make it again after a change of the dictionary, do not edit."


def write_firmware(dictionary: Dictionary, folder: Path, float_members: bool = False) -> list[Path]:
    """Write the library for one dictionary into `folder`; return the files written. Raises OSError and FirmwareProblem.

    `float_members`: scaled values are floats in the packets' structs, not doubles.

    A sketch that is there already is its owner's by now and stays as it is.
    """
    sketch = sketch_path(folder)
    texts = firmware_texts(dictionary, sketch.name.removesuffix(".ino"), float_members)
    (folder / HOST_FOLDER).mkdir(parents=True, exist_ok=True)
    for name in (*HOST, SANDPIPER_EXAMPLE):
        (folder / name).unlink(missing_ok=True)  # where they lay before they had a folder: two mains in one sketch
    paths = []
    for name, text in texts.items():
        path = folder / name
        if path.name != sketch.name or not path.exists():
            paths.append(path)
            path.write_text(text, "utf-8", newline="\n")
    return paths


def sketch_path(folder: Path) -> Path:
    """Return the sketch's file: called like its folder, as a sketch builder wants it. Raises FirmwareProblem."""
    name = folder.resolve().name
    if not SKETCH_NAME.fullmatch(name):
        wanted = "at most 63 letters, digits, '_', '-' and '.', beginning with a letter, a digit or '_'"
        raise FirmwareProblem(f"The folder cannot be called {name!r}: a sketch is called like its folder, {wanted}.")
    return folder / f"{name}.ino"


def firmware_texts(dictionary: Dictionary, sketch: str = "sketch", float_members: bool = False) -> dict[str, str]:
    """Return every file by its path in the folder; `sketch` is the folder's name. Raises FirmwareProblem."""
    layout = Layout(dictionary, float_members)
    host = [*HOST]
    if dictionary.hash32 == load_dictionary(None).hash32:
        host += [SANDPIPER_EXAMPLE, HOST_FILES]
    source = resources.files("server.firmware").joinpath("c")
    texts = {name: source.joinpath(name).read_text("utf-8") for name in LIBRARY}
    texts |= {f"{HOST_FOLDER}/{name}": source.joinpath(name).read_text("utf-8") for name in host}
    texts[GUIDE] = resources.files("server.firmware").joinpath(GUIDE).read_text("utf-8")
    texts["bh_dictionary.h"] = _header(layout)
    texts["bh_dictionary.c"] = _tables(layout)
    texts["blockhouse.h"] = _encoders(layout)
    texts[f"{sketch}.ino"] = sketch_text(layout, NOTICE)
    return texts


def _title(dictionary: Dictionary) -> str:
    name = comment_text(f"{dictionary.name} {dictionary.version}, {dictionary.vehicle}")
    return f"/* {name}: dictionary hash 0x{dictionary.hash32:08X}.\n * {NOTICE} */\n"


# ---------------------------------------------------------------- header


def _header(layout: Layout) -> str:
    dictionary = layout.dictionary
    lines = [
        _title(dictionary) + "#ifndef BH_DICTIONARY_H",
        "#define BH_DICTIONARY_H",
        "",
        '#include "bh_wire.h"',
        "",
        "/* Sent in the start-up packet, so that the ground sees when it was built from another dictionary. */",
        f"#define BH_DICTIONARY_HASH 0x{dictionary.hash32:08X}u",
        f"#define BH_DICTIONARY_NAME {string_literal(dictionary.name)}",
        *_packet_count(layout),
        f"#define BH_COMMAND_COUNT {len(layout.commands)}",
        f"#define BH_ARGUMENT_COUNT {sum(len(command.args) for command in layout.commands)}",
        f"#define BH_HEARS {int(layout.hears)} /* 0: there are no commands and no answers, so nothing to hear */",
        "",
        "/* What the fields need of the library: scaled members that are floats, not doubles; types beyond the plain. */",
        *(f"#define {name} {int(needed)}" for name, needed in layout.needs().items()),
        "",
        "/* The radio ([radio]): the vehicle is silent for BH_LISTEN_FOR_MS every BH_LISTEN_EVERY_MS, 0: it need not be. */",
        f"#define BH_RADIO_FRAME_MAX {dictionary.radio.frame_max or 257}u",
        f"#define BH_LISTEN_EVERY_MS {round(1000.0 * dictionary.radio.listen_every_s)}u",
        f"#define BH_LISTEN_FOR_MS {round(1000.0 * dictionary.radio.listen_for_s)}u",
        "",
        "/* Whom commands are for: every board its own, even with the same key. -DBH_VEHICLE_ID=... gives another. */",
        "#ifndef BH_VEHICLE_ID",
        f"#define BH_VEHICLE_ID {dictionary.uplink.vehicle_id}u",
        "#endif",
        "#if BH_VEHICLE_ID < 1 || BH_VEHICLE_ID > 0xFFFFFFFF",
        '#error "Blockhouse: BH_VEHICLE_ID must be 1..4294967295"',
        "#endif",
        "",
        "enum {",
        *_only_in_rehearsal(
            layout, [(p, f"    {_packet_constant(layout, p)} = {i},") for i, p in enumerate(layout.packets)]
        ),
        "    BH_PACKET_END",
        "};",
        "",
        *(f"#define {constant_name(layout.names.packets[p.name], 'period_ms')} {period}u" for p, period in layout.periods()),
        "",
        *channel_lines(layout),
        *_structs(layout),
        *_enums(layout),
        *(_command_types(layout) if layout.hears else ()),
        *header_lines(layout),
        "#ifdef __cplusplus",
        'extern "C" {',
        "#endif",
        "extern const bh_packet bh_packets[BH_PACKET_COUNT];",
        f"extern const bh_scale bh_scales[{max(1, len(layout.scales))}];",
    ]
    if layout.commands:
        lines += [
            "extern const bh_command_entry bh_commands[BH_COMMAND_COUNT];",
            f"extern const bh_limits bh_all_limits[{max(1, len(layout.limits))}];",
            "extern const bh_argument bh_arguments[BH_ARGUMENT_COUNT + 1];",
        ]
    return "\n".join([*lines, *extern_lines(layout), "#ifdef __cplusplus", "}", "#endif", "#endif", ""])


def _packet_constant(layout: Layout, packet: Packet) -> str:
    return constant_name("packet", layout.names.packets[packet.name])


def _packet_count(layout: Layout) -> list[str]:
    count = len(layout.packets)
    if not layout.stimuli:
        return [f"#define BH_PACKET_COUNT {count}"]
    return [BEGIN, f"#define BH_PACKET_COUNT {count}", "#else", f"#define BH_PACKET_COUNT {count - 1}", END]


def _only_in_rehearsal(layout: Layout, lines: list[tuple[Packet, str]]) -> Iterator[str]:
    """Yield what is written for each packet, that of the packet `rehearsal` so that firmware for flight has none of it."""
    for packet, text in lines:
        yield from (BEGIN, text, END) if layout.stimuli and packet.name == REHEARSAL_NAME else (text,)


def _structs(layout: Layout) -> Iterator[str]:
    for packet in layout.packets:
        lines = [f"/* {comment_text(packet.description or packet.name)} */", "typedef struct {"]
        lines += [*declarations(layout.members[packet.name]), f"}} bh_{layout.names.packets[packet.name]}_packet;"]
        yield from _only_in_rehearsal(layout, [(packet, "\n".join(lines))])
        yield ""
    yield "/* Room for any of them. */"
    yield "typedef union {"
    stems, members = layout.names.packets, layout.names.packet_members
    texts = [(packet, f"    bh_{stems[packet.name]}_packet {members[packet.name]};") for packet in layout.packets]
    yield from _only_in_rehearsal(layout, texts)
    yield "} bh_any_packet;"
    yield ""


def _enums(layout: Layout) -> Iterator[str]:
    for packet in layout.packets:
        for channel in packet.channels:
            if channel.values and packet.name != "answer":
                *texts, end = layout.names.enums[channel.path]
                yield "enum {"
                yield from (f"    {text} = {number}," for number, text in enumerate(texts) if channel.values[number])
                yield f"    {end}"
                yield "};"
    yield ""


def _command_types(layout: Layout) -> Iterator[str]:
    for name in ("stage", "reason"):
        yield from (f"#define {text} {number}u" for number, text in enumerate(layout.names.enums[f"answer.{name}"]))
    yield ""
    for command in layout.commands:
        yield f"#define {constant_name('command', layout.names.commands[command.name])} 0x{command.code:02X}u"
    yield ""
    for command in layout.commands:
        if command.args:
            yield f"/* {comment_text(command.does)} */"
            yield "typedef struct {"
            for arg in command.args:
                said = comment_text(f"{arg.low!r}..{arg.high!r} {arg.unit}".rstrip())
                yield f"    {layout.argument_type(arg)} {layout.argument_name(command, arg)}; /* {said} */"
            yield f"}} bh_{layout.names.commands[command.name]}_args;"
            yield ""
    yield "typedef union {"
    for command in layout.commands:
        if command.args:
            yield f"    bh_{layout.names.commands[command.name]}_args {layout.names.command_members[command.name]};"
    yield "    uint8_t none;"
    yield "} bh_args;"
    yield ""


# ---------------------------------------------------------------- tables


def _tables(layout: Layout) -> str:
    lines = [_title(layout.dictionary) + '#include "bh_dictionary.h"', ""]
    for packet in layout.packets:
        struct = f"bh_{layout.names.packets[packet.name]}_packet"
        text = "\n".join(field_table(f"{packet.name}_fields", struct, layout.members[packet.name]))
        lines += _only_in_rehearsal(layout, [(packet, text)])
    lines.append("const bh_packet bh_packets[BH_PACKET_COUNT] = {")
    texts = [(p, f"    {{{p.apid}, {len(layout.members[p.name])}, {p.name}_fields}},") for p in layout.packets]
    lines += _only_in_rehearsal(layout, texts)
    lines += ["};", "", f"const bh_scale bh_scales[{max(1, len(layout.scales))}] = {{"]
    lines += [f"    {{{scale!r}, {offset!r}}}," for scale, offset in layout.scales or [(1.0, 0.0)]]
    lines.append("};")
    if layout.commands:
        lines += _command_tables(layout)
    return "\n".join([*lines, *table_lines(layout), ""])


def _command_tables(layout: Layout) -> Iterator[str]:
    first = 0
    yield ""
    yield "const bh_command_entry bh_commands[BH_COMMAND_COUNT] = {"
    for command in layout.commands:
        yield f"    {{{constant_name('command', layout.names.commands[command.name])}, {first}, {len(command.args)}}},"
        first += len(command.args)
    yield "};"
    yield ""
    yield f"const bh_limits bh_all_limits[{max(1, len(layout.limits))}] = {{"
    for numbers in layout.limits or [(1.0, 0.0, 0.0, 1.0, 0.0)]:
        yield "    {" + ", ".join(repr(float(number)) for number in numbers) + "},"
    yield "};"
    yield ""
    yield "const bh_argument bh_arguments[BH_ARGUMENT_COUNT + 1] = {"
    for command in layout.commands:
        yield from (_argument_line(layout, command, arg) for arg in command.args)
    yield "    {BH_U8, 0, 0}, /* never used: a table may not be empty */"
    yield "};"


def _argument_line(layout: Layout, command: Command, arg: Argument) -> str:
    place = f"(uint16_t)offsetof(bh_{layout.names.commands[command.name]}_args, {layout.argument_name(command, arg)})"
    return f"    {{BH_{arg.type.upper()}, {layout.limits_number(arg)}, {place}}},"


# ---------------------------------------------------------------- encoders


def _encoders(layout: Layout) -> str:
    lines = [
        _title(layout.dictionary) + "#ifndef BLOCKHOUSE_H",
        "#define BLOCKHOUSE_H",
        "",
        '#include "bh_link.h"',
        "",
        "/* Each makes the frame of one packet and returns the bytes to send. A value that does not fit goes out as the",
        " * nearest that does, and is counted in link->refused.",
        " * `frame` needs room for BH_FRAME_MAX bytes; `time_ms` is the time since the vehicle's start. */",
    ]
    lines += MAY_SEND
    for packet in layout.packets:
        if packet.name in layout.dictionary.wires_own:
            continue  # the library makes them: bh_identity_frame signs, bh_rehearsal_frame counts
        stem = layout.names.packets[packet.name]
        lines += [
            f"static inline size_t bh_encode_{stem}(bh_link *link, uint32_t time_ms,",
            f"    const bh_{stem}_packet *values, uint8_t *frame)",
            "{",
            f"    return bh_encode(link, {constant_name('packet', stem)}, time_ms, values, frame);",
            "}",
            "",
        ]
    return "\n".join([*lines, *player_lines(layout), "#endif", ""])
