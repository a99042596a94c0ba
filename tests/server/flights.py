"""Recorded flights of the twin for tests: bytes and truth from the simulated vehicle, files by the real recorder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from server.design.sheet_files import load_sheets
from server.design.sheet_numbers import sheet_numbers_of
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind, Record
from server.recording.session_header import Software, make_header
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from server.twin.truth import Truth
from server.twin.twin import Twin
from tests.kept import kept
from tests.server.recording.sessions import changed, fixed_entropy

KEY = bytes(range(32))
SHEETS = load_sheets(None, True)
FACTS = sheet_numbers_of(SHEETS.vehicle, SHEETS.site)  # the demonstration sheet's
AFTER_LANDING_S = 8.0
STEP_S = 0.02


@cache
def dictionary() -> Dictionary:
    """Return the Sandpiper dictionary, read once."""
    return load_dictionary(None)


@dataclass(frozen=True)
class Flight:
    """What the ground modem gave, as (session second, bytes), and what really happened."""

    chunks: tuple[tuple[float, bytes], ...]
    truth: Truth

    @property
    def stream(self) -> bytes:
        """All bytes in one piece."""
        return b"".join(chunk for _, chunk in self.chunks)

    def records(self, origin_ns: int = 0) -> list[Record]:
        """Return the flight as records of received bytes."""
        return [
            Record(Kind.RECEIVED, number, origin_ns + round(t * 1e9), chunk) for number, (t, chunk) in enumerate(self.chunks)
        ]


@dataclass(frozen=True)
class Whole:
    """A flight until 10 s after landing, its truth then and its true trajectory; and the truth `AFTER_LANDING_S` after."""

    chunks: tuple[tuple[float, bytes], ...]
    truth: Truth
    trajectory: Mapping[str, Floats]
    sooner: Truth
    sooner_s: float


@cache
def flown(scenario: str = "calm", seed: int = 1, ignite_after_s: float = 15.0) -> Flight:
    """Return a flight of the twin from switch-on until some seconds after landing, in steps of 20 ms."""
    whole = whole_flight(load_scenario(scenario), seed, ignite_after_s)
    return Flight(tuple(chunk for chunk in whole.chunks if chunk[0] <= whole.sooner_s), whole.sooner)


def whole_flight(scenario: Scenario, seed: int, ignite_after_s: float) -> Whole:
    """Return what `flown` and the tests of flight computation take their part of, flown once for both."""
    return kept(("whole", scenario, seed, ignite_after_s), lambda: _fly(scenario, seed, ignite_after_s))


def _fly(scenario: Scenario, seed: int, ignite_after_s: float) -> Whole:
    twin = Twin(scenario=scenario, seed=seed, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=ignite_after_s)
    chunks: list[tuple[float, bytes]] = []

    def advance(step: int) -> None:
        chunk = twin.advance(step * STEP_S)
        if chunk:
            chunks.append((step * STEP_S, chunk))

    step = 0
    while not (twin.landed or step > 15_000):
        step += 1
        advance(step)
    sooner, end = step + round(AFTER_LANDING_S / STEP_S), step + round(10.0 / STEP_S)
    for later in range(step + 1, sooner + 1):
        advance(later)
    truth = twin.truth()
    for later in range(sooner + 1, end + 1):
        advance(later)
    return Whole(tuple(chunks), twin.truth(), twin.trajectory(), truth, sooner * STEP_S)


def recorded(folder: Path, flight: Flight, name: str = "flight", close: bool = True, **header: object) -> Path:
    """Write a flight with the real recorder, a mark and an authority note among it; return the file."""
    clock = FakeClock()
    sheets = load_sheets(None, True)
    described = make_header(
        clock,
        software=Software("0.1"),
        dictionary=dictionary().text,
        vehicle=sheets.vehicle,
        site=sheets.site,
        source="demo",
        entropy=fixed_entropy,
    )
    recorder = Recorder(folder, name, changed(described, **header), clock=clock)
    origin_ns = described.monotonic_ns
    for number, (t, chunk) in enumerate(flight.chunks):
        recorder.append(Kind.RECEIVED, origin_ns + round(t * 1e9), chunk)
        if number == len(flight.chunks) // 2:
            mark = {"key": "m1", "severity": "info", "text": "half way", "body": {"operator": "Ada 1"}}
            recorder.append(Kind.MARK, origin_ns + round(t * 1e9), mark)
    clock.advance(flight.chunks[-1][0])
    if not close:
        recorder.append_synced(Kind.NOTE, clock.monotonic_ns(), {"text": "last"})
        copy = (folder / f"{name}.pcapng").read_bytes()
        recorder.close()
        (folder / f"{name}.pcapng").write_bytes(copy)
        return folder / f"{name}.pcapng"
    return recorder.close()
