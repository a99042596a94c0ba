"""The files written: complete, named after the dictionary, and without a warning in C99, C++11 and as a sketch."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from protocol.dictionary_file import parse_dictionary
from server.firmware.generator import firmware_texts, write_firmware
from tests.protocol.helpers import SANDPIPER, SMALL, SMALL_TEXT
from tests.server.firmware.build import C99, CXX, DICTIONARIES, LIBRARY, compiled, generated

# What a sketch expects of its surroundings, as little as compiles.
BOARD = """
#include <stddef.h>
#include <stdint.h>
struct Port { void begin(long) {} int available() { return 0; } int read() { return 0; }
              size_t write(const uint8_t *, size_t size) { return size; } };
static Port Serial1;
static unsigned long millis() { return 0; }
static unsigned long micros() { return 0; }
static unsigned analogRead(int) { return 0; }
static const unsigned char blockhouse_key[32] = {0};
#define key_h
"""


@pytest.mark.parametrize("name", DICTIONARIES)
@pytest.mark.parametrize("command", [C99, [*C99, "-O3"], CXX], ids=["c99", "optimized", "c++"])
def test_the_library_compiles_without_a_warning(name: str, command: list[str]) -> None:
    folder = generated(name)
    for source in LIBRARY:
        compiled([*command, "-c"], folder, [source], "object.o")


@pytest.mark.parametrize("name", DICTIONARIES)
def test_the_sketch_compiles_for_a_board(name: str, tmp_path: Path) -> None:
    write_firmware(DICTIONARIES[name], tmp_path)
    sketch = (tmp_path / "sketch.ino").read_text()
    assert sketch.count('#include "key.h"') == 1
    (tmp_path / "key.h").write_text(BOARD)
    (tmp_path / "sketch.cpp").write_text(sketch + "\nint main() { setup(); loop(); }\n")
    compiled(["g++", "-std=c++11", "-Wall", "-Wextra", "-Werror", "-c"], tmp_path, ["sketch.cpp"], "sketch.o")


def test_a_dictionary_without_commands_compiles(tmp_path: Path) -> None:
    write_firmware(parse_dictionary(SMALL_TEXT.split("[packet.answer]")[0]), tmp_path)
    for source in (*LIBRARY, "bh_host.c"):
        compiled([*C99, "-c"], tmp_path, [source], "object.o")


def test_every_packet_has_a_struct_and_an_encoder() -> None:
    texts = firmware_texts(SANDPIPER)
    for name, packet in SANDPIPER.packets.items():
        (body,) = re.findall(rf"typedef struct {{\n((?:    .*\n)*)}} bh_{name}_packet;", texts["bh_dictionary.h"])
        assert [re.search(r"(\w+);", line)[1] for line in body.splitlines()] == [c.name for c in packet.channels]
        assert f"bh_encode_{name}(" in texts["blockhouse.h"]


def test_the_example_belongs_to_the_sandpiper_alone() -> None:
    assert "sandpiper_example.c" in firmware_texts(SANDPIPER)
    assert "sandpiper_example.c" not in firmware_texts(SMALL)


def test_no_heap_and_no_state_of_its_own() -> None:
    """Whatever is not `const` and stands outside a function would be shared state."""
    texts = firmware_texts(SANDPIPER)
    for name in LIBRARY:
        assert not re.search(r"\b(malloc|calloc|realloc|free|printf|sprintf) *\(", texts[name])
        for line in texts[name].splitlines():
            if line.startswith("static ") and not re.match(r"static [\w ]+\**\w+\(", line):
                assert line.startswith("static const "), line


def test_a_folder_is_made_and_files_are_replaced(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    first = write_firmware(SMALL, folder)
    first[0].write_text("old")
    assert write_firmware(SMALL, folder) == first and first[0].read_text() != "old"
