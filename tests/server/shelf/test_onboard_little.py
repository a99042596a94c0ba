"""A vehicle with a barometer only brings its log home: a long pad, a straight descent, pressure or altitude alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.flight.air.atmosphere import pressure_at_geopotential_m
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from server.review.review import Review, open_review
from server.shelf.onboard_alignment import align_log, pairs_of
from server.shelf.onboard_log import read_log
from tests.protocol.helpers import HEAD

OFFSET_S, DRIFT = 812.25, 5e-5
FIELD = {
    "pressure": 'name = "x", type = "f32", unit = "Pa", role = "pressure"',
    "altitude": 'name = "x", type = "f32", unit = "m", role = "altitude_baro"',
}
WIRE_2 = HEAD.replace("format = 1", "format = 1\nwire = 2") + "[uplink]\nvehicle_id = 1\nanswers = false\n"


def heights(t: np.ndarray) -> np.ndarray:
    """Two minutes of pad, up to 1500 m in 17 s, down at 9 m/s, a minute of rest."""
    up = t - 120.0
    rising = 1500.0 * (1.0 - (1.0 - np.clip(up / 17.0, 0.0, 1.0)) ** 2)
    return np.where(up < 17.0, rising, np.maximum(1500.0 - 9.0 * (up - 17.0), 0.0))


def told(kind: str, height: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What a barometer says at heights over a pad at 300 m."""
    if kind == "pressure":
        return pressure_at_geopotential_m(300.0 + height) + 3.0 * rng.standard_normal(len(height))
    return 300.0 + height + 0.4 * rng.standard_normal(len(height))


def session(folder: Path, kind: str, loss: float = 0.15) -> Review:
    """What the radio brought, in the wire's own form, 20 a second, some lost."""
    rng, text = (
        np.random.default_rng(5),
        f"{WIRE_2}[packet.air]\napid = 16\nrate_hz = 20\nfields = [ {{ {FIELD[kind]} }} ]\n",
    )
    link, clock = VehicleLink(parse_dictionary(text), bytes(32), 5), FakeClock()
    header = make_header(clock, software=Software("t"), dictionary=text, vehicle={}, site={}, source="t")
    recorder = Recorder(folder, "flight", header, clock=clock)
    t = np.arange(3.0, 365.0, 0.05)
    for at, x in zip(t.tolist(), told(kind, heights(t), rng).tolist(), strict=True):
        if rng.random() > loss:
            frame = link.frame("air", round(at * 1e3), {"x": x})
            recorder.append(Kind.RECEIVED, header.monotonic_ns + round((at + 0.04) * 1e9), frame)
    clock.advance(366.0)
    return open_review(recorder.close())


def card(folder: Path, kind: str, begins_s: float) -> Path:
    """The log of the card, 50 a second, its clock another one; lift-off is at 120 s."""
    rng, t = np.random.default_rng(6), np.arange(begins_s, 370.0, 0.02)
    unit = {"pressure": "pressure [Pa]", "altitude": "altitude [m]"}[kind]
    own = (t - OFFSET_S) / (1.0 + DRIFT)
    rows = [f"{a:.4f},{x:.3f}" for a, x in zip(own.tolist(), told(kind, heights(t), rng).tolist(), strict=True)]
    path = folder / "card.csv"
    path.write_text("\n".join([f"ts,{unit}", *rows]) + "\n")
    return path


@pytest.mark.parametrize("heard", ["pressure", "altitude"])
@pytest.mark.parametrize("kept", ["pressure", "altitude"])
@pytest.mark.parametrize("begins_s", [3.0, 60.0, 119.5])
def test_a_barometer_alone_aligns(tmp_path: Path, heard: str, kept: str, begins_s: float) -> None:
    review, log = session(tmp_path, heard), read_log(card(tmp_path, kept, begins_s))
    assert len(pairs_of(review, log)) == 1
    found = align_log(review, log)
    assert found.refused == ""
    moments = np.array([120.0, 137.0, 300.0])
    wrong = found.to_reference((moments - OFFSET_S) / (1.0 + DRIFT)) - moments
    assert np.abs(wrong).max() < 0.05, wrong
    assert (np.abs(wrong) < 4.0 * found.sigma_at((moments - OFFSET_S) / (1.0 + DRIFT))).all(), "as sure as it says"


# Another vehicle: lines of text, a low flight, a slow radio. What it sends, how often, what its card's column is called.
SLOW = {
    "hPa": ("pressure", "hPa", 2.0, "baro_hPa", 2),
    "feet": ("altitude_baro", "ft", 1.0, "Altitude (ft)", 0),
    "hPa-by-feet": ("pressure", "hPa", 1.0, "alt_ft", 0),
    "feet-by-hPa": ("altitude_baro", "ft", 2.0, "PressurehPa", 2),
}
LOW_OFFSET_S, LOW_DRIFT = -37.5, -4e-5


def low_heights(t: np.ndarray) -> np.ndarray:
    """A minute of pad, up to 240 m in 7 s, down at 6 m/s."""
    up = t - 60.0
    rising = 240.0 * (1.0 - (1.0 - np.clip(up / 7.0, 0.0, 1.0)) ** 2)
    return np.where(up < 7.0, rising, np.maximum(240.0 - 6.0 * (up - 7.0), 0.0))


def as_written(unit: str, height: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What a barometer at 140 m over the sea writes, in the unit."""
    if unit == "hPa":
        return (pressure_at_geopotential_m(140.0 + height) + 5.0 * rng.standard_normal(len(height))) / 100.0
    return (140.0 + height + 0.5 * rng.standard_normal(len(height))) / 0.3048


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("layout", SLOW)
def test_a_slow_radio_with_one_height_aligns(tmp_path: Path, layout: str, seed: int) -> None:
    """Seen: at one packet a second "the two overlap for too short a time"; a column "baro_hPa" was no pressure."""
    role, unit, rate_hz, heading, digits = SLOW[layout]
    rng = np.random.default_rng(seed)
    fields = (
        f'{{ name = "ms", type = "u32", unit = "ms" }}, {{ name = "x", type = "f32", unit = "{unit}", role = "{role}" }}'
    )
    text = (
        '[dictionary]\nformat = 1\nname = "low"\nversion = "1"\nvehicle = "Low"\n\n'
        '[framing]\nkind = "text"\nseparator = ";"\nchecksum = "none"\n\n'
        f'[packet.air]\napid = 1\ntime = "ms"\nrate_hz = {rate_hz}\nfields = [ {fields} ]\n'
    )
    clock = FakeClock()
    header = make_header(clock, software=Software("t"), dictionary=text, vehicle={}, site={}, source="t")
    recorder = Recorder(tmp_path, "low", header, clock=clock)
    t = np.arange(1.0, 125.0, 1.0 / rate_hz)
    for at, x in zip(t.tolist(), as_written(unit, low_heights(t), rng).tolist(), strict=True):
        if rng.random() > 0.1:
            line = f"{at * 1e3:.0f};{x:.2f}\n".encode()
            recorder.append(Kind.RECEIVED, header.monotonic_ns + round((at + 0.05) * 1e9), line)
    clock.advance(126.0)
    review = open_review(recorder.close())
    t = np.arange(40.0, 125.0, 0.04)
    kept = as_written("hPa" if "hPa" in heading else "ft", low_heights(t), rng)
    own = (t - LOW_OFFSET_S) / (1.0 + LOW_DRIFT)
    rows = [f"{1e3 * a:.0f},{x:.{digits}f}" for a, x in zip(own.tolist(), kept.tolist(), strict=True)]
    (tmp_path / "low.csv").write_text("\n".join([f"millis,{heading}", *rows]) + "\n")
    log = read_log(tmp_path / "low.csv")
    found = align_log(review, log)
    assert found.refused == ""
    moments = np.array([60.0, 67.0, 100.0])
    own = (moments - LOW_OFFSET_S) / (1.0 + LOW_DRIFT)
    wrong = found.to_reference(own) - moments
    assert np.abs(wrong).max() < 0.1, wrong
    assert (np.abs(wrong) < 4.0 * found.sigma_at(own)).all(), "as sure as it says"


def test_a_log_of_another_flight_is_refused(tmp_path: Path) -> None:
    review = session(tmp_path, "pressure")
    t, rng = np.arange(0.0, 200.0, 0.02), np.random.default_rng(9)
    rows = [
        f"{a:.3f},{x:.2f}" for a, x in zip(t.tolist(), (95000.0 + 4.0 * rng.standard_normal(len(t))).tolist(), strict=True)
    ]
    (tmp_path / "pad.csv").write_text("\n".join(["ts,pressure [Pa]", *rows]) + "\n")
    assert align_log(review, read_log(tmp_path / "pad.csv")).refused
