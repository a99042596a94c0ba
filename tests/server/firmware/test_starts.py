"""The count of starts in flash memory: never the same one twice, whatever moment the power fails at."""

from __future__ import annotations

import re
import shutil
import subprocess
from functools import cache
from importlib import resources
from pathlib import Path

import pytest

from tests.server.firmware.build import C99, CXX, LIBRARY, SANITIZED, compiled, generated

SLOTS = 16  # records in both pages of the test's memory


@cache
def board() -> Path:
    """Return the compiled board that loses power."""
    folder = generated("small")
    shutil.copy(Path(__file__).with_name("starts.c"), folder)
    return compiled([*C99, *SANITIZED], folder, [*LIBRARY, "starts.c"], "starts.program")


def starts(seed: int, count: int, mode: str) -> tuple[int, int, int, int]:
    """Start a board so often; return starts that got a count, power cuts, most erasures of a page, the last count."""
    done = subprocess.run([str(board()), str(seed), str(count), mode], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    got, cuts, erasures, last = map(int, done.stdout.split())
    return got, cuts, erasures, last


@pytest.mark.parametrize("mode", ["sound", "old"])
def test_without_cuts_each_start_is_the_next_and_wear_is_spread(mode: str) -> None:
    got, cuts, erasures, last = starts(1, 10_000, mode)
    assert got == 10_000 and cuts == 0
    assert erasures <= 2 * 10_000 / SLOTS + 1 and last == 10_000


@pytest.mark.parametrize("mode", ["torn", "ecc", "rot"])
@pytest.mark.parametrize("seed", range(5))
def test_a_count_never_comes_again_when_power_fails(mode: str, seed: int) -> None:
    got, cuts, _, last = starts(seed, 20_000, mode)
    assert cuts > 2000 and got + cuts == 20_000, "each start without a cut gets a count"
    assert got <= last < 2**31


@pytest.mark.parametrize("mode", ["dead", "mute"])
def test_memory_that_fails_gives_no_start_at_all(mode: str) -> None:
    assert starts(1, 100, mode)[0] == 0


def test_the_worked_examples_of_the_header_compile(tmp_path: Path) -> None:
    """The three boards its comment shows: flash memory, nothing, and a random generator."""
    text = resources.files("server.firmware").joinpath("c", "bh_starts.h").read_text("utf-8")
    shown = re.findall(r"^ \*     (.*)$", text, re.M)
    functions = [line.replace("{ ... }", "{ return user != NULL && at == 0u; }") for line in shown if line.endswith("}")]
    lines = [line.removesuffix(" */") for line in shown if "{ ... }" not in line]
    assert len(functions) == 3 and len(lines) == 4, shown
    unused = "-Wno-unused-parameter"
    program = "\n".join(
        [
            '#include "blockhouse.h"',
            '#include "bh_starts.h"',
            *functions,
            "int main(void)\n{",
            "static const uint8_t key[BH_KEY_SIZE] = {1}, noise[16] = {2};",
            "bh_vehicle vehicle;",
            *lines,
            "return vehicle.boot_id == 0u;\n}",
        ]
    )
    (tmp_path / "board.c").write_text(program)
    for command in (C99, CXX):
        include = f"-I{generated('small')}"
        compiled([*command, unused, include, "-fsyntax-only"], tmp_path, ["board.c"], "board.o")
