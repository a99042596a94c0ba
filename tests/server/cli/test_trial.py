"""`blockhouse trial` as real processes: a twin, the program, the acts on stdin; exit codes, result and session."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from server.review.review import open_review
from server.review.summary import summarize
from tests.browser.station import ROOT, BareProcess
from tests.server.cli.test_cli import refused_here  # noqa: F401  (a fixture)
from tests.server.trials.trial_world import HEAD

ENTER = ["ground test", "enter"]


@pytest.fixture(scope="module")
def twin(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """One simulated vehicle for all: the home folder and its port."""
    home = tmp_path_factory.mktemp("home")
    process = BareProcess(home, "twin", "--listen", "socket://127.0.0.1:0", "--ignite-after", "100000")
    yield home, process.line(r"(socket://\S+)")[1]
    process.stop()


def start(twin: tuple[Path, str], *arguments: str, **more: object) -> subprocess.Popen[str]:
    """Start a trial with the acts to come from a pipe."""
    home, url = twin
    return subprocess.Popen(
        [sys.executable, "-m", "server", "trial", *arguments, "--port", url, "--acts-from-stdin"],
        cwd=ROOT,
        env={**os.environ, "BLOCKHOUSE_HOME": str(home), "PYTHONUNBUFFERED": "1"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **more,
    )


def trial(twin: tuple[Path, str], *arguments: str, acts: list[str]) -> tuple[int, str, str]:
    """Run a trial to its end; returns exit code, stdout, stderr."""
    process = start(twin, *arguments)
    out, err = process.communicate("".join(f"{act}\n" for act in acts), timeout=60)
    return process.returncode, out, err


def test_a_trial_from_the_acts_to_the_session(twin: tuple[Path, str]) -> None:
    code, out, err = trial(twin, "arm-safe", "--cycles", "1", acts=[*ENTER, "arm", "1"])
    assert (code, err) == (0, ""), out
    lines = out.splitlines()
    assert any(line.startswith("CAUTION: Igniter simulators fitted") for line in lines)
    assert "passed: 4 of 4 runs passed, 0 failed (4 planned)" in lines
    assert "failure rate: at most 52.7 % (one-sided exact bound, 95 %)" in out
    assert lines.index("Type 'arm' to arm the plan:") < next(i for i, line in enumerate(lines) if line.startswith("run 1"))
    recording = Path(lines[-1])
    review = open_review(recording)
    commands = [(c["command"], c["state"]) for c in summarize(review)["commands"]]
    assert commands.count(("channel_arm", "verified")) == 4 and commands[-1] == ("safe_all", "verified")


def test_json_goes_to_stdout_and_all_else_to_stderr(twin: tuple[Path, str]) -> None:
    code, out, err = trial(twin, "link-ping", "--cycles", "3", "--json", acts=["arm", "3"])
    result = json.loads(out)
    assert (code, result["outcome"], result["pings"]["answered"]) == (0, "passed", 3)
    assert Path(result["session"]).exists() and "Type 'arm'" in err


@pytest.mark.parametrize(
    ("acts", "sentence"),
    [
        (["amr"], "'amr' is not 'arm': nothing was started."),
        (["arm"], "The act '3' did not come: nothing was started."),
    ],
)
def test_anything_but_the_two_acts_starts_nothing(twin: tuple[Path, str], acts: list[str], sentence: str) -> None:
    code, out, err = trial(twin, "link-ping", "--cycles", "3", acts=acts)
    assert (code, err) == (1, f"blockhouse: {sentence}\n")
    assert summarize(open_review(Path(out.splitlines()[-1])))["commands"] == []


def test_a_failed_trial_ends_with_three_and_says_why(twin: tuple[Path, str], tmp_path: Path) -> None:
    plan = tmp_path / "mine.toml"
    expect = '{ role = "camera[1].powered", equals = 0 }'
    step = f'{{ send = "camera_power", args = {{ camera = 1, on = 1 }}, within_s = 1.5, expect = [ {expect} ] }}'
    plan.write_text(f"{HEAD}cycles = 2\nsteps = [ {step} ]\n")
    code, out, _ = trial(twin, str(plan), acts=["arm", "2"])
    assert code == 3
    assert "failed: 0 of 1 runs passed, 1 failed (2 planned)" in out
    assert "first failure: run 1, cycle 1, Camera power, camera 1, on: after Camera power" in out
    assert out.splitlines()[-1].endswith(".pcapng")


def test_control_c_stops_and_makes_safe(twin: tuple[Path, str]) -> None:
    process = start(twin, "arm-safe", "--cycles", "50")
    process.stdin.write("arm\n50\n")
    process.stdin.flush()
    for line in process.stdout:
        if "not in ground-test mode" in line:
            raise AssertionError("the trial before left the vehicle in ground test")
        if line.startswith("run 2"):
            process.send_signal(signal.SIGINT)
            break
    began = time.monotonic()
    out, err = process.communicate(timeout=20)
    assert process.returncode == 1, err
    assert time.monotonic() - began < 5.0
    assert "stopping, making safe: wait" in out and "stopped by: stopped by terminal" in out
    assert "NOT SEEN TO BE SAFE" not in out
    commands = summarize(open_review(Path(out.splitlines()[-1])))["commands"]
    assert (commands[-1]["command"], commands[-1]["state"]) == ("safe_all", "verified")


def test_what_cannot_run_is_one_sentence(refused_here: Callable[..., str]) -> None:  # noqa: F811
    port = ("--port", "socket://127.0.0.1:9")
    acts = (*port, "--acts-from-stdin")
    assert "plans that come along: arm-fire-safe" in refused_here("trial", "no-such", *acts)
    assert "must be 1..10000" in refused_here("trial", "arm-safe", "--cycles", "0", *acts)
    assert refused_here("trial", "arm-safe", "--port", "what://is this", "--acts-from-stdin")
    said = refused_here("trial", "arm-safe", *port)
    assert "person at a terminal" in said and "--acts-from-stdin" in said


def test_a_vehicle_that_is_not_heard_is_waited_for_and_then_given_up(tmp_path: Path) -> None:
    process = start((tmp_path, "socket://127.0.0.1:9"), "link-ping")
    process.stdout.readline()
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=10)
    assert (process.returncode, err) == (1, "blockhouse: Stopped at the terminal before anything was started.\n")
