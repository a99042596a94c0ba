"""The files written: complete, named after the dictionary, and without a warning in C99, C++11 and as a sketch."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from protocol.dictionary_file import load_dictionary
from server.firmware.generator import firmware_texts, write_firmware
from server.firmware.layout import FirmwareProblem
from tests.protocol.helpers import SMALL_TEXT
from tests.server.firmware.build import C99, CXX, DICTIONARIES, LIBRARY, compiled, generated
from tests.server.firmware.build import SANDPIPER_2 as SANDPIPER
from tests.server.firmware.build import SMALL_2 as SMALL
from tests.server.firmware.wire2 import on_wire_2

# The example flies the dictionary that comes with the program, and no other.
EXAMPLES = ["sandpiper_example.c", "host_files.h"] if SANDPIPER.hash32 == load_dictionary().hash32 else []


@pytest.mark.parametrize("name", DICTIONARIES)
@pytest.mark.parametrize(
    "command",
    [C99, [*C99, "-O3"], CXX, ["clang", *C99[1:]], ["clang++", *CXX[1:]]],
    ids=["c99", "optimized", "c++", "clang", "clang++"],
)
def test_the_library_compiles_without_a_warning(name: str, command: list[str]) -> None:
    folder = generated(name)
    for source in LIBRARY:
        compiled([*command, "-c"], folder, [source], "object.o")


def test_a_dictionary_without_commands_compiles(tmp_path: Path) -> None:
    write_firmware(on_wire_2(SMALL_TEXT.split("[packet.answer]")[0]), tmp_path)
    for source in (*LIBRARY, "host/bh_host.c"):
        compiled([*C99, "-c"], tmp_path, [source], "object.o")


def test_every_packet_has_a_struct_and_an_encoder() -> None:
    texts = firmware_texts(SANDPIPER)
    for name, packet in SANDPIPER.packets.items():
        (body,) = re.findall(rf"typedef struct {{\n((?:    .*\n)*)}} bh_{name}_packet;", texts["bh_dictionary.h"])
        assert [re.search(r"(\w+);", line)[1] for line in body.splitlines()] == [c.name for c in packet.channels]
        assert (f"bh_encode_{name}(" in texts["blockhouse.h"]) == (name not in SANDPIPER.wires_own)


def test_the_example_belongs_to_the_sandpiper_alone() -> None:
    assert {f"host/{name}" for name in EXAMPLES} <= set(firmware_texts(SANDPIPER))
    assert "host/sandpiper_example.c" not in firmware_texts(SMALL)


def test_no_heap_and_no_state_of_its_own() -> None:
    """Whatever is not `const` and stands outside a function would be shared state."""
    texts = firmware_texts(SANDPIPER)
    for name in LIBRARY:
        assert not re.search(r"\b(malloc|calloc|realloc|free|printf|sprintf) *\(", texts[name])
        for line in texts[name].splitlines():
            if line.startswith("static ") and not re.match(r"static [\w ]+\**\w+\(", line):
                assert line.startswith("static const "), line


@pytest.mark.parametrize("name", ["sandpiper", "wide", "A-1.b_2"])
def test_a_sketch_builder_finds_one_sketch_called_like_its_folder_and_no_main(name: str, tmp_path: Path) -> None:
    """It compiles every file of the folder itself: none of them may need a computer or have a main of its own."""
    folder = tmp_path / name
    write_firmware(SANDPIPER, folder)
    assert [path.name for path in folder.glob("*.ino")] == [f"{name}.ino"]
    for path in folder.glob("*.c"):
        text = path.read_text()
        assert not re.search(r"\bmain\(", text) and not re.search(r"<(poll|unistd|fcntl|stdio)\.h>", text), path.name
    assert {path.name for path in (folder / "host").iterdir()} == {"bh_host.c", *EXAMPLES}


def test_mains_of_an_earlier_layout_are_taken_away(tmp_path: Path) -> None:
    (tmp_path / "bh_host.c").write_text("int main(void) { return 0; }")
    write_firmware(SMALL, tmp_path)
    assert not (tmp_path / "bh_host.c").exists() and (tmp_path / "host" / "bh_host.c").exists()


@pytest.mark.parametrize("name", ["my rocket", "-x", "ä", "a" * 64])
def test_a_folder_that_is_no_sketch_s_name_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(FirmwareProblem, match="cannot be called"):
        write_firmware(SMALL, tmp_path / name)
    assert not (tmp_path / name).exists()


def test_a_folder_is_made_and_files_are_replaced_but_for_the_sketch(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    first = write_firmware(SMALL, folder)
    assert first[-1] == folder / "b.ino"
    for path in first:
        path.write_text("old")
    assert write_firmware(SMALL, folder) == first[:-1]
    assert [path.read_text() == "old" for path in first] == [False] * (len(first) - 1) + [True]
