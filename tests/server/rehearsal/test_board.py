"""The real-board test without a board: the example on an emulated Cortex-M4, alignment traps on, its port a TCP socket.

What the traps do is shown in `tests/server/firmware/test_flight_board.py`. Where compiler or emulator are missing it fails:
it is not skipped.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.server.firmware.flight_build import board_image
from tests.server.rehearsal.computers import BENCH_ACTS, blockhouse, on_board, rehearse

PAST_DEPLOYMENT_S = "14.6"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """One board for all: the home folder and its port."""
    home = tmp_path_factory.mktemp("home")
    with on_board(board_image(), home) as port:
        yield home, port


def test_the_rules_of_the_wire_hold_on_the_board(bench: tuple[Path, str]) -> None:
    """Rates and ranges, and commands accepted, repeated, replayed, forged, late, or meant for another."""
    home, port = bench
    code, out, err = blockhouse(home, "check", "--port", port, "--listen", "4")
    assert (code, err) == (0, ""), out
    assert "looked at, none at fault" in out


def test_a_flight_in_closed_loop_past_the_deployment(bench: tuple[Path, str]) -> None:
    home, port = bench
    acts = (*BENCH_ACTS, "rehearse", "1")
    code, out, err = rehearse(home, port, "--emulated", "--until", PAST_DEPLOYMENT_S, "--json", acts=acts)
    assert code == 0, out + err
    (run,) = json.loads(out)["runs"]
    mine_s, its_s = run["deployment_s"]
    assert abs(mine_s - its_s) <= 0.2 and not run["wrongs"]
    print(f"deployed {mine_s:.2f} s, twin's own {its_s:.2f} s; {run['duration_s'] / run['took_s']:.1f} times real time")
    delays_ms = [1e3 * delay_s for delay_s in (*run["delay_s"], run["delay_most_s"])]
    print("loop delay, ms: median {:.1f}, 99th percentile {:.1f}, greatest {:.1f}".format(*delays_ms))
    print(f"state against truth, (rms, worst): {run['state']}")
    assert run["state"]["position.up"][1] < 1.0 and run["state"]["velocity.up"][1] < 1.0
