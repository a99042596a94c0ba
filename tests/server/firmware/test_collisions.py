"""Names of a dictionary that collide with the languages, with common headers, with the library or with each other."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from protocol.dictionary import Dictionary
from protocol.identity import IDENTITY_NAME
from server.firmware.generator import firmware_texts, write_firmware
from server.firmware.layout import FirmwareProblem, Layout
from server.firmware.names import HEADER_NAMES, KEYWORDS, LIBRARY, MACROS, TYPES, Names, library_names
from tests.protocol.helpers import HEAD, SMALL_TEXT
from tests.server.firmware.build import C99, CXX, STRICT, compiled
from tests.server.firmware.sketch_board import compile_here, write_board
from tests.server.firmware.wire2 import on_wire_2

ANSWER = "[packet.answer]" + SMALL_TEXT.split("[packet.answer]")[1].split("[command.turn]")[0]
# What the macros of a board's code would do to a member is only seen where they are defined: everything a build may include.
STANDARD = (
    "assert ctype errno fenv float inttypes limits math setjmp signal stdarg stdalign stdbool stddef stdint stdio stdlib "
    "string sys/stat sys/types time unistd wchar wctype"
).split()
POSIX = "dirent fcntl netdb netinet/in poll pthread sys/ioctl sys/socket sys/un termios".split()
C_ONLY = ["complex", "iso646", "stdnoreturn"]
COMPILERS = {
    "c99": C99,
    "gnu11": ["gcc", "-std=gnu11", *STRICT],
    "c2x": ["gcc", "-std=c2x", *STRICT],
    "c++11": CXX,
    "gnu++17": ["g++", "-x", "c++", "-std=gnu++17", *STRICT],
    "c++20": ["g++", "-x", "c++", "-std=c++20", *STRICT],
}


ALL = tuple(COMPILERS)


def includes(names: list[str]) -> str:
    return "".join(f"#if __has_include(<{name}.h>)\n#include <{name}.h>\n#endif\n" for name in names)


def dictionary_of(packets: dict[str, list[str]], commands: dict[str, list[str]] | None = None) -> Dictionary:
    """Return a dictionary of packets with u8 fields and commands with u8 arguments, by these names."""
    parts = [HEAD, ANSWER if commands else ""]
    for apid, (name, fields) in enumerate(packets.items(), 100):
        listed = ", ".join(f'{{ name = "{field}", type = "u8" }}' for field in fields)
        parts.append(f"[packet.{name}]\napid = {apid}\nrate_hz = 1\nfields = [ {listed} ]\n")
    for code, (name, args) in enumerate((commands or {}).items(), 1):
        listed = ", ".join(f'{{ name = "{arg}", type = "u8", min = 0, max = 1 }}' for arg in args)
        head = f'[command.{name}]\ncode = {code}\nhazard = "routine"\ntitle = "A"\ndoes = "A."\n'
        parts.append(f"{head}args = [ {listed} ]\n")
    return on_wire_2("".join(parts))


def build(dictionary: Dictionary, folder: Path, before: str = "", compilers: tuple[str, ...] = ("c99", "c++11")) -> None:
    """Compile everything generated, with and without a board's headers before it."""
    write_firmware(dictionary, folder)
    (folder / "use.c").write_text(before + '#include "blockhouse.h"\n#include "bh_dictionary.c"\n')
    for name in compilers:
        for source in ("use.c", "bh_link.c"):
            compiled([*COMPILERS[name], "-c"], folder, [source], "use.o")


@pytest.mark.parametrize("name", ["any", "count", "end"])
def test_a_packet_called_like_a_thing_of_the_library(name: str, tmp_path: Path) -> None:
    build(dictionary_of({name: ["x"], "other": ["y"]}), tmp_path)


@pytest.mark.parametrize("name", ["count", "none"])
def test_a_command_called_like_a_thing_of_the_library(name: str, tmp_path: Path) -> None:
    build(dictionary_of({"a": ["x"]}, {name: ["x"], "other": ["y"]}), tmp_path)


@pytest.mark.parametrize("name", ["register", "linux"])
def test_a_field_and_an_argument_called_like_a_word_of_the_compiler(name: str, tmp_path: Path) -> None:
    build(dictionary_of({"a": [name]}, {"act": [name]}), tmp_path)


def test_every_word_of_the_languages_and_every_type_as_field_packet_and_command(tmp_path: Path) -> None:
    words = sorted(KEYWORDS | TYPES)
    fields = {f"p{i}": words[i : i + 30] for i in range(0, len(words), 30)}
    build(
        dictionary_of(fields, {f"c{i}": words[i : i + 30] for i in range(0, len(words), 30)}),
        tmp_path / "members",
        compilers=ALL,
    )
    build(
        dictionary_of({word: ["x"] for word in words}, {word: ["x"] for word in words}),
        tmp_path / "names",
        compilers=ALL,
    )


def test_every_macro_of_common_headers_as_a_field(tmp_path: Path) -> None:
    words = sorted(MACROS)
    dictionary = dictionary_of({"a": words}, {"b": words})
    build(dictionary, tmp_path, includes([*STANDARD, *POSIX, *C_ONLY]), ("gnu11",))
    build(dictionary, tmp_path, includes([*STANDARD, *POSIX]), ("gnu++17",))


@pytest.mark.parametrize("compiler", ["gcc", "g++", "clang", "clang++", "arm-none-eabi-gcc"])
def test_no_macro_of_the_headers_is_missing(compiler: str, tmp_path: Path) -> None:
    """Every lower-case macro without arguments that a compiler or a common header defines is known."""
    assert shutil.which(compiler), f"{compiler} is needed for this test"
    file = tmp_path / ("all.cpp" if compiler.endswith("++") else "all.c")
    names = STANDARD if compiler.startswith("arm") else [*STANDARD, *POSIX]
    file.write_text(includes(names if compiler.endswith("++") else [*names, *C_ONLY]))
    done = subprocess.run([compiler, "-dM", "-E", file.name], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    found = set(re.findall(r"^#define ([a-z][a-z0-9_]{0,39}) ", done.stdout, re.M))
    assert found and found <= KEYWORDS | MACROS | {"bool"}, sorted(found - KEYWORDS - MACROS)


def test_the_sketch_of_names_that_collide_compiles(tmp_path: Path) -> None:
    """A start-up packet with a rate, which had two senders; words and names of the library in senders, plan and comments."""
    packets = {name: ["register", "linux"] for name in ("startup", "any", "count", "end", "plan", "board", "new", "queue")}
    dictionary = dictionary_of(packets, {name: ["register"] for name in ("count", "none", "switch", "safe_all_")})
    write_firmware(dictionary, tmp_path)
    write_board(tmp_path, [])
    for options in ([], ["-DSTARTS_IN_EEPROM"]):
        compile_here("g++", tmp_path, 1, options)


def test_names_that_fall_together_stay_apart(tmp_path: Path) -> None:
    """An underscore behind, a number behind, a packet that looks like another's period or type."""
    packets = {
        "x": ["double", "double_", "double__", "bh_x_packet", "bh_field"],
        "x_period_ms": ["a"],
        "packet_x": ["a"],
        "count": ["a"],
        "count_2": ["a"],
        "any": ["a"],
        "any_2": ["a"],
        "bh_x_packet": ["a"],
        "int": ["a"],
        "int_": ["a"],
    }
    commands = {"count": ["int", "int_"], "count_2": ["a"], "none": ["a"], "none_": ["a"], "case": ["a"], "case_": ["a"]}
    dictionary = dictionary_of(packets, commands)
    names = Names(dictionary)
    assert names.packets["count_2"] == "count_2" and names.packets["count"] == "count_3"
    build(dictionary, tmp_path)


def test_every_name_of_the_library_as_the_texts_of_an_enum(tmp_path: Path) -> None:
    """BH_A_B_C of packet a, channel b, text c is made to fall on every name the library has."""
    wanted: dict[str, dict[str, list[str]]] = {}
    for name in sorted(name for name in library_names() if name.startswith("BH_") and name.count("_") >= 3):
        packet, channel, text = name.lower().split("_", 3)[1:]
        if packet == IDENTITY_NAME:
            continue  # no dictionary can describe it
        wanted.setdefault(packet, {}).setdefault(channel, []).append(text)
    parts = [HEAD]
    for apid, (packet, channels) in enumerate(wanted.items()):
        fields = ", ".join(f'{{ name = "{c}", type = "u8", values = {texts} }}' for c, texts in channels.items())
        parts.append(f"[packet.{packet}]\napid = {apid}\nfields = [ {fields} ]\n")
    assert wanted
    build(on_wire_2("".join(parts)), tmp_path, compilers=("c99", "c++11"))


def test_reasons_that_fall_together_keep_the_library_s_own() -> None:
    """The library answers with BH_REASON_OLD_COUNTER: it is the number of exactly that text."""
    text = SMALL_TEXT.replace('"none", "out of range"', '"old-counter", "none", "out of range"')
    header = Names(on_wire_2(text), [("reason", "old counter")]).enums["answer.reason"]
    assert header[3] == "BH_REASON_OLD_COUNTER" and header[0] == "BH_REASON_OLD_COUNTER_2"


def test_the_header_s_own_names_are_known() -> None:
    """Whatever the generated header defines for every dictionary is in HEADER_NAMES or in the library's text."""
    texts = firmware_texts(dictionary_of({"aa": ["x"]}, {"zz": ["x"]}))
    whole = "\n".join(texts[name] for name in ("bh_dictionary.h", "blockhouse.h"))
    defined = set(re.findall(r"^(?:#define|}) (bh_\w+|BH_\w+)|^ +(BH_\w+)[, ]|(bh_\w+)\[", whole, re.M))
    names = {name for group in defined for name in group if name}
    own = {
        name
        for name in names
        if not re.search(r"aa|AA|zz|ZZ|^BH_(STAGE|REASON|IDENTITY)_|answer|ANSWER|identity|BH_DICTIONARY_H$", name)
    }
    assert own >= {"BH_PACKET_COUNT", "bh_any_packet"} and own <= HEADER_NAMES | library_names()
    assert set(LIBRARY) <= set(texts)


def test_more_channels_than_the_tables_count_is_refused() -> None:
    groups = [", ".join(f'{{ name = "b{i}_{bit}", bit = {bit} }}' for bit in range(32)) for i in range(8)]
    fields = ", ".join(f'{{ name = "w{i}", type = "bits32", bits = [ {group} ] }}' for i, group in enumerate(groups))
    with pytest.raises(FirmwareProblem, match="the packet 'many' has 256 channels, the firmware counts to 255"):
        Layout(on_wire_2(f"{HEAD}[packet.many]\napid = 1\nfields = [ {fields} ]\n"))


def test_a_rate_of_less_than_once_in_weeks_has_a_period_that_can_be_counted(tmp_path: Path) -> None:
    text = f'{HEAD}[packet.rare]\napid = 1\nrate_hz = 1e-9\nfields = [ {{ name = "x", type = "u8" }} ]\n'
    assert list(Layout(on_wire_2(text)).periods())[0][1] == 2**31 - 1
