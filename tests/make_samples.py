"""Make the sample sessions and their stored summaries.

    python -m tests.make_samples                 all of it, into replay_samples/ (under a minute)
    python -m tests.make_samples --summaries     only the summaries, after the computation has changed on purpose

The three flights are flown by the simulated vehicle and recorded by the real recorder on a clock that stands still between
packets, so that the same code makes the same bytes again. The bench trial is a real one: the vehicle and the trial are
two processes on a socket.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from server import __version__
from server.design.sheet_files import load_sheets
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from server.review.review import open_review
from server.review.summary import summarize, summary_json
from server.timestamps import NS_PER_S
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.browser.station import Process
from tests.server.flights import KEY, dictionary

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "replay_samples"
SUMMARY = ".summary.json"
STEP_S = 0.02
PAD_S = 20.0
AFTER_LANDING_S = 8.0
TRIAL, CYCLES = "arm-safe", 10


@dataclass(frozen=True)
class Sample:
    """A flight to be recorded: its scenario, seed, and the UTC second at which it begins (invented too)."""

    name: str
    scenario: Scenario
    seed: int
    utc_s: int


def flights() -> tuple[Sample, ...]:
    """Return the three flights."""
    gusty, bad = load_scenario("gusty-rail"), load_scenario("bad-number")
    both = Scenario("gusty-bad-number", "A gust at rail exit, and a bad number", {**gusty.changes, **bad.changes})
    return (
        Sample("calm", load_scenario("calm"), 7, 1_749_996_000),
        Sample("gusty-bad-number", both, 7, 1_749_999_600),
        Sample("thin-link", load_scenario("thin-link"), 7, 1_750_003_200),
    )


def record(sample: Sample, folder: Path) -> Path:
    """Fly and record a sample; return its file."""
    clock = FakeClock(wall_ns=sample.utc_s * NS_PER_S)
    sheets = load_sheets(None, True)
    header = make_header(
        clock,
        software=Software(__version__),
        dictionary=dictionary().text,
        dictionary_hash=f"{dictionary().hash32:08x}",
        vehicle=sheets.vehicle,
        site=sheets.site,
        source=f"demo {sample.scenario.name}",
        entropy=lambda size: sample.name.encode().ljust(size, b"-")[:size],
    )
    recorder = Recorder(folder, sample.name, header, clock=clock)
    twin = Twin(
        scenario=sample.scenario, seed=sample.seed, dictionary=dictionary(), key=KEY, boot_id=7, ignite_after_s=PAD_S
    )
    origin_ns, step, end = header.monotonic_ns, 0, None
    while end is None or step < end:
        step += 1
        chunk = twin.advance(step * STEP_S)
        clock.advance(STEP_S)
        if chunk:
            recorder.append(Kind.RECEIVED, origin_ns + round(step * STEP_S * NS_PER_S), chunk)
        if end is None and twin.landed:
            end = step + round(AFTER_LANDING_S / STEP_S)
    return recorder.close()


def record_trial(folder: Path) -> Path:
    """Run a bench trial of the simulated vehicle in ground test, as a person would; return its session file."""
    with tempfile.TemporaryDirectory() as home:
        twin = Process(Path(home), "twin", "--listen", "socket://127.0.0.1:0", "--ignite-after", "100000", "--seed", "7")
        url = twin.line(r"(socket://\S+)")[1]
        acts = f"ground test\nenter\narm\n{CYCLES}\n"
        done = subprocess.run(
            [sys.executable, "-m", "server", "trial", TRIAL, "--cycles", str(CYCLES), "--port", url, "--acts-from-stdin",
             "--sheet", str(ROOT / "server" / "design" / "sheets" / "sandpiper.toml")],
            cwd=ROOT, env={**os.environ, "BLOCKHOUSE_HOME": home}, input=acts, text=True, capture_output=True, check=False,
        )  # fmt: skip
        twin.stop()
        if done.returncode:
            raise SystemExit(f"the trial ended with {done.returncode}: {done.stdout}{done.stderr}")
        return Path(shutil.copy(done.stdout.splitlines()[-1], folder / "bench-trial.pcapng"))


def write_summaries(folder: Path) -> None:
    """Write each sample's summary beside it."""
    for path in sorted(folder.glob("*.pcapng")):
        text = summary_json(summarize(open_review(path))) + "\n"
        path.with_name(path.stem + SUMMARY).write_text(text, "utf-8")
        print(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB, summary of {len(text)} characters")


def main(folder: Path = FOLDER, say: Callable[[str], None] = print) -> None:
    """Make what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--summaries", action="store_true", help="leave the recordings as they are")
    if not parser.parse_args().summaries:
        with tempfile.TemporaryDirectory() as new:
            made = [record(sample, Path(new)) for sample in flights()] + [record_trial(Path(new))]
            for old in [*folder.glob("*.pcapng"), *folder.glob(f"*{SUMMARY}")]:
                old.unlink()
            for path in made:
                shutil.move(path, folder / path.name)
                say(f"made {path.name}")
    write_summaries(folder)


if __name__ == "__main__":
    main()
