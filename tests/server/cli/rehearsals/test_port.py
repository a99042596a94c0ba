"""Rehearsal over a port: two acts of a person, only a cable, by the vehicle's clock, and the loop's delay held to a bound.

The flight computer is the example as a process of its own at a pseudo-terminal; pyserial opens the other end.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.checksum import CRC_SIZE
from protocol.framing import encode_frame
from protocol.stimulus import StimulusEncoder
from server.cli.rehearsals import port as rehearse_port
from server.rehearsal.answers import BEFORE_FIELDS
from server.rehearsal.conversation import RehearsalProblem
from server.rehearsal.paced import invalid, pace_of, spread
from tests.browser.station import ROOT
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program
from tests.server.rehearsal.computers import BENCH_ACTS, at_terminal, blockhouse, changed_program, rehearse

ALL_ACTS = (*BENCH_ACTS, "rehearse", "1")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """One flight computer for all that leave it as it was: the home folder and its port."""
    home = tmp_path_factory.mktemp("home")
    with at_terminal(host_program(), home) as port:
        yield home, port


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """One of which nothing is ever asked."""
    home = tmp_path_factory.mktemp("fresh")
    with at_terminal(host_program(), home) as port:
        yield home, port


def test_a_flight_goes_by_the_vehicles_clock_and_its_delays_are_told(bench: tuple[Path, str]) -> None:
    code, out, err = rehearse(*bench, "--until", "9", "--json", acts=ALL_ACTS)
    assert code in (0, 3), err
    (run,) = json.loads(out)["runs"]
    assert run["took_s"] >= run["duration_s"] - 0.02  # each moment waits for its own time
    assert run["cut"] and not run["wrongs"] and (code == 0) == (not run["invalid"])  # a busy machine may be too slow
    (middle, late), greatest = run["delay_s"], run["delay_most_s"]
    assert 0.0 < middle <= late <= greatest and 0.0 < run["jitter_s"][0] <= run["jitter_s"][1] <= greatest
    for caution in ("Igniters and ejection charges out", "Motor out", "Hands clear of the fins", "range safety officer"):
        assert f"CAUTION: {caution}" in err.replace("CAUTION: The", "CAUTION:")


@pytest.mark.parametrize(
    ("acts", "sentence"),
    [
        (["ground tset"], "'ground tset' is not 'ground test': nothing was started."),
        (["ground test", "yes"], "'yes' is not 'enter': nothing was started."),
        (["ground test", "enter", "rehearse", "2"], "'2' is not '1': nothing was started."),
        (["ground test", "enter", "rehearse"], "The act '1' did not come: nothing was started."),
    ],
)
def test_without_its_acts_nothing_is_asked_of_it(fresh: tuple[Path, str], acts: list[str], sentence: str) -> None:
    """Not even ground test: whoever comes next is asked for it again."""
    code, out, err = rehearse(*fresh, acts=acts)
    assert (code, out) == (1, "") and err.splitlines()[-1].endswith(sentence) and "Type 'ground test'" in err


def test_a_second_act_that_comes_too_late_is_none() -> None:
    class Typed:
        async def next(self) -> str:
            return "word"

    def acts(*moments_s: float) -> None:
        moments = iter(moments_s)
        asyncio.run(rehearse_port.two(Typed(), lambda: next(moments), "", "word", "", "word"))  # type: ignore[arg-type]

    acts(100.0, 110.0)
    with pytest.raises(RehearsalProblem, match="The second act came after more than 10 s: nothing was started."):
        acts(100.0, 110.1)


def test_it_asks_for_a_person(bench: tuple[Path, str]) -> None:
    home, port = bench
    code, out, err = blockhouse(home, "rehearse", "--port", port)
    assert (code, out) == (1, "") and "A rehearsal needs a person at a terminal" in err


def test_a_radio_is_refused_by_the_vehicle(tmp_path: Path) -> None:
    """The firmware says which of its links is a cable; this one says it of none."""
    program = changed_program(tmp_path, "fc_main.c", "    bh_wired(&c->wired);\n", "")
    with at_terminal(program, tmp_path) as port:
        code, out, err = rehearse(tmp_path, port, acts=ALL_ACTS)
    assert (code, out) == (1, "") and "refused, not wired. To the vehicle this port is a radio" in err


def test_a_flight_build_is_asked_nothing(tmp_path: Path) -> None:
    with at_terminal(host_program(rehearsal=False), tmp_path) as port:
        code, out, err = rehearse(tmp_path, port, acts=ALL_ACTS)
    assert (code, out) == (1, "") and "This is a flight build, which obeys no stimuli." in err and "Type" not in err


def test_a_slow_clock_is_followed(tmp_path: Path) -> None:
    old = "return (uint32_t)(ms - begun_ms);"
    program = changed_program(tmp_path, "fc_host.c", old, old.replace(";", " / 2u;"))
    with at_terminal(program, tmp_path) as port:
        _, out, err = rehearse(tmp_path, port, "--until", "1", "--json", acts=ALL_ACTS)
    (run,) = json.loads(out)["runs"]
    assert "Its clock goes at 0.5" in err or "Its clock goes at 0.4" in err
    assert run["took_s"] > 1.8 * run["duration_s"]


def test_a_slow_computer_misses_moments_and_its_flight_is_invalid(tmp_path: Path) -> None:
    """25 ms a step: the physics does not wait. What is not a number is told all the same, and nothing that is compared."""
    old = "    bh_play(&c->wired, &calls, c);\n"
    program = changed_program(tmp_path, "fc_main.c", old, f"{old}    poll(NULL, 0, 25);\n", "#include <poll.h>\n", fault=1)
    with at_terminal(program, tmp_path) as port:
        code, out, _ = rehearse(tmp_path, port, "--until", "9", "--json", acts=ALL_ACTS)
    (run,) = json.loads(out)["runs"]
    assert code == 3 and run["missed"] > 300 and "steps were answered later than 10 ms or missed" in run["invalid"]
    assert run["duration_s"] == 8.99 and run["delay_s"][0] >= 0.025
    assert [wrong["kind"] for wrong in run["wrongs"]] == ["not finite"]


@pytest.mark.parametrize(
    ("delays_s", "missed", "said"),
    [
        ([0.002] * 1000, 0, ""),
        ([0.002] * 990 + [0.011] * 10, 0, ""),
        ([0.002] * 989 + [0.011] * 11, 0, "11 of 1000 steps"),
        ([0.002] * 989, 11, "11 of 1000 steps"),
        ([0.002] * 999 + [0.05], 0, ""),
        ([0.002] * 999 + [0.0501], 0, "one step was answered after 50 ms"),
        ([], 0, ""),
        ([], 5, "5 of 5 steps"),
    ],
)
def test_a_flight_is_invalid_beyond_the_bound(delays_s: list[float], missed: int, said: str) -> None:
    told = invalid(delays_s, missed, 0.01)
    assert told.startswith(said) and bool(told) == bool(said)


def test_delay_and_jitter_of_a_loop() -> None:
    assert spread([0.003, 0.001, 0.002, 0.010]) == (
        (pytest.approx(0.0025), 0.010, 0.010),
        (pytest.approx(0.0075), pytest.approx(0.0075)),
    )
    assert all(math.isnan(figure) for part in spread([]) for figure in part)


def test_only_a_clock_that_no_quartz_is_changes_the_pace() -> None:
    assert [pace_of(measured) for measured in (1.0, 1.019, 0.985, 0.5, 0.0)] == [1.0, 1.0, 1.0, 0.5, 0.0]


def test_the_guide_tells_what_a_step_asks_of_the_cable() -> None:
    rules = SANDPIPER.rehearsal
    assert rules is not None
    up = len(StimulusEncoder(SANDPIPER, 1, 1).frame(rules.step, 1, [1.0] * len(SANDPIPER.stimuli[rules.step].channels)))
    sizes = [SANDPIPER.packets[name].layout.size for name in (*rules.answers, "rehearsal")]
    down = sum(len(encode_frame(b"x" * (BEFORE_FIELDS + size + CRC_SIZE))) for size in sizes)
    slow, fast = (round((up + down) * 10 / baud * 1e3) for baud in (115_200, 921_600))  # ten bits a byte
    said = f"of the Sandpiper {up} and {down} bytes, which alone take {slow} ms at 115 200 baud and {fast} ms\n  at 921 600"
    assert said in (ROOT / "server" / "firmware" / "GUIDE.md").read_text("utf-8")
