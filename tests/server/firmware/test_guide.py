"""The guide beside the generated code: its examples compile, and what they use works under interrupts."""

from __future__ import annotations

import re
import subprocess
from importlib import resources
from pathlib import Path

import pytest

from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError
from server.firmware.generator import write_firmware
from server.workbench.dictionary_lint import link_budget
from tests.protocol.all_types import ANSWER, UPLINK, WIRE_2
from tests.protocol.foreign.foreign_helpers import WREN
from tests.server.firmware.build import C99, CXX, REHEARSAL, SANDPIPER_2, compiled, generated

FEED = Path(__file__).with_name("feed.c")
PREAMBLE = """
#include "blockhouse.h"
#include "bh_feed.h"
#define UART_DATA 0x55u
#define BAUD 57600u
extern bh_link radio;
extern bh_command command;
extern uint8_t frame[BH_FRAME_MAX];
extern size_t size;
uint32_t now_ms(void);
void take(enum bh_heard heard);
void send(const uint8_t *data, size_t bytes);
void loop(void);
void UART_interrupt(void);
void DMA_interrupt(void);
"""
RADIO = "[radio]\nlisten_every = 0.5\nlisten_for = 0.1\n"
TEXT = f'{WIRE_2}[packet.p]\napid = 1\nrate_hz = 10\nfields = [ {{ name = "x", type = "bytes40" }} ]\n{ANSWER}{UPLINK}'
ARGS = ", ".join(f'{{ name = "{name}", type = "f64", min = 0, max = 1 }}' for name in "abc")
COMMAND = f'[command.long]\ncode = 0x10\nhazard = "routine"\ntitle = "Long"\ndoes = "Has three."\nargs = [ {ARGS} ]\n'


def examples() -> list[str]:
    """Return the guide's pieces of C."""
    guide = resources.files("server.firmware").joinpath("GUIDE.md").read_text("utf-8")
    return re.findall(r"^```c\n(.*?)^```", guide, re.M | re.S)


@pytest.mark.parametrize("place", range(4))
@pytest.mark.parametrize("command", [C99, CXX], ids=["c99", "c++"])
def test_the_examples_compile(place: int, command: list[str]) -> None:
    assert len(examples()) == 4
    example = examples()[place]
    whole = example if "void loop" in example or REHEARSAL[2:] in example else f"void loop(void)\n{{\n{example}}}\n"
    folder = generated("sandpiper")
    (folder / f"example{place}.c").write_text(PREAMBLE + whole)
    for more in ([], [REHEARSAL]):
        compiled([*command, *more, "-c"], folder, [f"example{place}.c"], "example.o")


def test_the_guide_lies_beside_the_code(tmp_path: Path) -> None:
    names = {path.name for path in write_firmware(SANDPIPER_2, tmp_path / "out")}
    assert {"GUIDE.md", "bh_feed.h"} <= names
    assert "GUIDE.md" in (tmp_path / "out" / "bh_link.h").read_text()


def test_nothing_is_torn_or_out_of_order_under_interrupts(tmp_path: Path) -> None:
    """A timer's signal comes between any two instructions; what finds no room is counted, not hidden."""
    folder = generated("sandpiper")
    flags = ["gcc", "-std=gnu99", "-Wall", "-Wextra", "-Werror", "-O2", f"-I{folder}"]
    path = compiled(flags, tmp_path, [str(FEED)], "feed")
    done = subprocess.run([str(path), "100000"], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout
    taken, lost, halves, torn = map(int, done.stdout.split())
    assert taken >= 100_000 and lost > 0 and halves > 0 and torn == 0


def test_a_vehicle_is_silent_in_its_listening_slots(tmp_path: Path) -> None:
    dictionary = parse_dictionary(TEXT + RADIO)
    assert dictionary.hash32 == parse_dictionary(TEXT).hash32
    assert link_budget(dictionary).capacity == pytest.approx(0.8 * link_budget(parse_dictionary(TEXT)).capacity)
    write_firmware(dictionary, tmp_path / "out")
    (tmp_path / "out" / "slots.c").write_text(
        '#include "blockhouse.h"\n#include <stdio.h>\nint main(void) { uint32_t ms; for (ms = 0; ms < 1000u; ms++) '
        "{ putchar(bh_may_send(ms, 20) ? 49 : 48); } return 0; }\n"
    )
    sources = ["slots.c", "bh_wire.c", "bh_fields.c", "bh_link.c", "bh_dictionary.c"]
    said = subprocess.run([compiled(C99, tmp_path / "out", sources, "slots")], capture_output=True, text=True).stdout
    assert said == ("0" * 100 + "1" * 381 + "0" * 19) * 2


def test_a_frame_longer_than_the_radios_packet_is_refused() -> None:
    assert parse_dictionary(f"{TEXT}[radio]\nframe_max = 55\n").radio.frame_max == 55
    with pytest.raises(DictionaryError, match=r"\[packet.p\] is a frame of 55 bytes, the radio's \[radio\] frame_max is 54"):
        parse_dictionary(f"{TEXT}[radio]\nframe_max = 54\n")
    with pytest.raises(DictionaryError, match=r"\[command.long\] is a frame of 72 bytes"):
        parse_dictionary(TEXT.replace("[uplink]", f"{COMMAND}[uplink]") + "[radio]\nframe_max = 71\n")


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ("frame_max = 0", "must be above zero"),
        ("listen_every = 1.0", "needs listen_for"),
        ("listen_every = 1.0\nlisten_for = 1.0", "needs listen_for"),
        ("listen_every = 61.0\nlisten_for = 1.0", "at most 60 s"),
        ("listen_often = 1.0", "unknown key"),
    ],
)
def test_each_mistake_has_its_sentence(keys: str, sentence: str) -> None:
    with pytest.raises(DictionaryError, match=sentence):
        parse_dictionary(f"{TEXT}[radio]\n{keys}\n")
    with pytest.raises(DictionaryError, match="means nothing beside a"):
        parse_dictionary(f"{WREN.text}\n{RADIO}")
