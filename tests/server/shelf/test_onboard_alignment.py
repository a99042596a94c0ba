"""A log of the twin with an unknown offset and drift, found again; what the radio lost; what cannot be aligned."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from server.flight.sensors.alignment import alignment_dict, alignment_of
from server.review.review import Review, open_review
from server.shelf.onboard_alignment import Lost, align_log, columns, pairs_of, what_was_lost
from server.shelf.onboard_log import OnboardLog, read_log
from server.shelf.onboard_report import report, report_text
from server.twin.onboard import OnboardRecorder
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.flights import KEY, Flight, dictionary, recorded
from tests.server.http.test_messages import parse_columns


@cache
def logged(scenario: str, seed: int, offset_s: float, drift: float) -> tuple[Flight, str]:
    """Fly the twin with its onboard recorder; return what the radio brought and the log's text."""
    twin = Twin(
        scenario=load_scenario(scenario), seed=seed, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=12.0
    )
    twin.recorder = OnboardRecorder(twin.vehicle, seed, offset_s, drift)
    chunks, step, end = [], 0, None
    while end is None or step < end:
        step += 1
        if chunk := twin.advance(step * 0.02):
            chunks.append((step * 0.02, chunk))
        if end is None and twin.landed:
            end = step + 150
    return Flight(tuple(chunks), twin.truth()), twin.recorder.text()


def both(folder: Path, scenario: str = "calm", seed: int = 1, offset: float = 31.7, drift: float = 4e-5) -> tuple:
    flight, text = logged(scenario, seed, offset, drift)
    (folder / "card.csv").write_text(text)
    return open_review(recorded(folder, flight)), read_log(folder / "card.csv"), flight.truth


MOMENTS = ("liftoff_s", "burnout_s", "apogee_s", "separation_s", "landing_s")


@pytest.mark.parametrize(
    ("scenario", "seed", "offset", "drift"),
    [
        ("calm", 1, 31.7, 4e-5),
        ("calm", 2, -512.25, -1.2e-4),
        ("calm", 3, 0.0, 0.0),
        ("gusty-rail", 4, 3600.0, 1e-4),
        ("thin-link", 5, -8.125, 6e-5),
        ("thin-link", 6, 77.0, -5e-5),
    ],
)
def test_an_unknown_clock_is_found_within_10_ms_at_five_moments(
    tmp_path: Path, scenario: str, seed: int, offset: float, drift: float
) -> None:
    review, log, truth = both(tmp_path, scenario, seed, offset, drift)
    found = align_log(review, log)
    assert found.refused == ""
    moments = np.array([float(truth[name]) for name in MOMENTS])
    errors = found.to_reference((moments - offset) / (1.0 + drift)) - moments
    assert np.abs(errors).max() < 0.010, errors
    assert (np.abs(errors) < 4.0 * found.sigma_at((moments - offset) / (1.0 + drift))).all(), "as sure as it says"
    assert found.sigma_s < 0.01 and found.match > 0.9


def test_what_a_thin_link_lost_is_told_and_filled(tmp_path: Path) -> None:
    review, log, truth = both(tmp_path, "thin-link", 5, -8.125, 6e-5)
    lost = {one.role: one for one in what_was_lost(review, log, align_log(review, log))}
    sent, gone = truth["downlink_frames_sent"], truth["downlink_frames_lost"]
    assert {"accel.a.z", "pressure", "position.up"} <= lost.keys()
    for one in lost.values():
        assert one.share == pytest.approx(gone / sent, abs=0.08)
        assert one.filled == one.due - one.heard, "the log has every sample that the radio lost"
        assert one.longest_gap_s > 0.1


def test_nothing_lost_and_a_log_with_a_hole_of_its_own(tmp_path: Path) -> None:
    review, log, _ = both(tmp_path, "bad-number", 1)
    found = align_log(review, log)
    assert all(one.share == 0.0 and one.filled == 0 for one in what_was_lost(review, log, found))
    rows = review.output.rows["barometer"]
    kept = (rows.t < 20.0) | (rows.t > 22.0)
    object.__setattr__(rows, "t", rows.t[kept])
    for name in rows.columns:
        rows.columns[name] = rows.columns[name][kept]
    at = found.to_reference(log.t)
    half = (at < 20.0) | (at > 21.0)
    holed = replace(log, t=log.t[half], columns=tuple(replace(c, values=c.values[half]) for c in log.columns))
    one = next(one for one in what_was_lost(review, holed, found) if one.role == "pressure")
    rate = dictionary().packets["barometer"].rate_hz
    assert one.due - one.heard == pytest.approx(2.0 * rate, abs=2) and one.filled == pytest.approx(1.0 * rate, abs=3)
    assert one.longest_gap_s == pytest.approx(2.0, abs=2 / rate)


def test_the_share_of_nothing_is_zero() -> None:
    assert Lost("x", 0, 0, 0.0, 0).share == 0.0


def test_columns_are_the_log_on_the_recordings_clock(tmp_path: Path) -> None:
    review, log, _ = both(tmp_path)
    found = align_log(review, log)
    header, tables = parse_columns(columns(review, log, found))
    (described,) = header["tables"]
    assert described["name"] == "onboard" and described["rows"] == len(log.t)
    matrix = tables["onboard"]
    assert np.array_equal(matrix[0], found.to_reference(log.t))
    for place, column in enumerate(log.columns, 2):
        assert np.array_equal(matrix[place], column.values, equal_nan=True)
    heights = review.output.rows["barometer"]
    ours = np.interp(heights.t, matrix[0], matrix[2 + [c.role for c in log.columns].index("pressure")])
    inside = (heights.t > matrix[0][0] + 1) & (heights.t < matrix[0][-1] - 1)
    assert np.median(np.abs(ours - heights.columns["pressure"])[inside]) < 20.0
    delay = np.interp(heights.t, matrix[0], matrix[1] - matrix[0])
    assert np.abs(delay - (heights.rx_s - heights.t))[inside].max() < 0.3
    assert [event["text"] for event in header["journal"]][:1] == ["phase startup"]


def test_the_report_says_it_in_words(tmp_path: Path) -> None:
    review, log, truth = both(tmp_path)
    told = report(review, log, align_log(review, log))
    text = report_text(told)
    assert abs(float(text.split("recording time = ")[1].split(" s")[0]) - 31.7) < 0.01
    assert "ppm" in text and "accel.a.z: " in text
    boost = next(t for t, text in told.events if text == "phase boost")
    assert boost == pytest.approx(truth["liftoff_s"], abs=0.3)
    shape = told.as_dict()
    assert shape["alignment"] == alignment_dict(told.alignment) and shape["sigma_ends_s"] >= told.alignment.sigma_s
    assert {"t": boost, "text": "phase boost"} in shape["events"] and len(shape["lost"]) == len(told.lost) > 0


def test_what_cannot_be_aligned_is_refused_with_the_reason(tmp_path: Path) -> None:
    review, log, _ = both(tmp_path)
    bare = replace(log, columns=tuple(replace(c, role="") for c in log.columns))
    assert "no column that the recording has too" in align_log(review, bare).refused
    rng = np.random.default_rng(1)
    noise = replace(log, columns=tuple(replace(c, values=rng.normal(size=len(log.t))) for c in log.columns))
    refused = align_log(review, noise)
    assert "no offset makes them agree" in refused.refused
    told = report(review, noise, refused)
    assert told.lost == () and "sigma_ends_s" not in told.as_dict() and "not aligned: no offset" in report_text(told)
    short = OnboardLog(log.t[:5], tuple(replace(c, values=c.values[:5]) for c in log.columns))
    assert align_log(review, short).refused


def test_another_flights_log_is_refused_or_badly_matched(tmp_path: Path) -> None:
    review, _, _ = both(tmp_path)
    pairs = pairs_of(review, read_other(tmp_path))
    assert len(pairs) == 6
    assert align_log(review, still(review)).refused


def read_other(folder: Path) -> OnboardLog:
    (folder / "other.csv").write_text(logged("gusty-rail", 4, 3600.0, 1e-4)[1])
    return read_log(folder / "other.csv")


def still(review: Review) -> OnboardLog:
    """A log of another day's bench: nothing moves in it but noise."""
    t = np.arange(0.0, 60.0, 0.005)
    rng = np.random.default_rng(2)
    column = read_other(review.session.path.parent).of_role("accel.a.z")
    return OnboardLog(t, (replace(column, values=9.81 + rng.normal(0, 0.1, len(t))),))


def test_an_alignment_comes_back_from_its_stored_form(tmp_path: Path) -> None:
    review, log, _ = both(tmp_path)
    found = align_log(review, log)
    assert alignment_of(alignment_dict(found)) == found
    refused = alignment_dict(replace(found, refused="no"))
    assert alignment_of(refused) is not None
    for held in (None, [], {}, {**alignment_dict(found), "drift": "x"}, {**alignment_dict(found), "offset_s": None}):
        assert alignment_of(held) is None
