"""What is kept of a run to be drawn: no worst value lost, phases of both, whole again from the disk, or none at all."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from server.rehearsal.against_truth import ATTITUDE, COMPARED, components
from server.rehearsal.track import BUCKETS, kept_places, track_of
from server.rehearsal.track_file import BYTES_AT_MOST, Track, TrackFault, read_track, track_file, write_track
from tests.server.rehearsal.helpers import PHASES, READER, flight, made

NUMBERS = st.floats(allow_nan=True, allow_infinity=True, width=32)
PAIRS = st.lists(st.tuples(NUMBERS, NUMBERS), min_size=1, max_size=400)


def track(fault: int = 0) -> Track:
    flown, _, run = flight(fault)
    return track_of(run, flown, READER, PHASES)


@given(PAIRS, st.integers(1, 40))
def test_decimation_keeps_every_extreme_and_is_bounded(pairs: list[tuple[float, float]], buckets: int) -> None:
    series = tuple(np.array(pairs, dtype=np.float64).T)
    kept = kept_places(series, buckets)
    assert kept == sorted(set(kept)) and kept[0] == 0 and kept[-1] == len(pairs) - 1
    assert len(kept) <= 6 * buckets + 2
    for one in series:
        told = one[np.isfinite(one)]
        if len(told):
            assert {told.min(), told.max()} <= set(one[kept])
        if len(told) < len(one):
            assert int(np.argmin(np.isfinite(one))) in kept, "where it is no number first"


def test_decimation_keeps_the_extremes_of_every_part() -> None:
    one = np.sin(np.arange(5000) * 1.7)
    kept = np.array(kept_places((one,), 50))
    for begin in range(0, 5000, 100):
        part = one[kept[(kept >= begin) & (kept < begin + 100)]]
        assert part.min() == one[begin : begin + 100].min() and part.max() == one[begin : begin + 100].max()


@pytest.mark.parametrize("fault", [0, 1])
def test_a_real_run_comes_back_from_the_disk_small_and_says_the_same(fault: int, tmp_path: Path) -> None:
    _, wrongs, run = flight(fault)
    kept = track(fault)
    recording = tmp_path / "a-rehearsal.pcapng"
    write_track(recording, kept)
    file = track_file(recording)
    assert file.name == "a-rehearsal.rehearsal.json" and file.stat().st_size < 40_000
    back = read_track(file)
    assert json.loads(json.dumps(asdict(back))) == json.loads(json.dumps(asdict(kept)))
    assert [curve.role for curve in back.curves] == list(COMPARED)
    for curve in back.curves:
        rms, worst = run.state[curve.role]
        assert curve.rms == (pytest.approx(rms) if math.isfinite(rms) else None)
        assert curve.worst == (pytest.approx(worst) if math.isfinite(worst) else None)
        assert len(curve.t_s) <= 4 * BUCKETS + 20
        at = curve.t_s.index(curve.worst_s)
        if curve.worst is None:
            assert curve.apart[at] is None
        else:
            assert abs(curve.apart[at]) == pytest.approx(curve.worst, abs=0.006), "the worst stands in the picture"
    assert back.deployment_s == list(run.deployment_s) and back.cycle_us == run.cycle_us
    first = wrongs[0] if wrongs else None
    assert back.first_bad_frame == (first.frame if first else None)
    assert back.first_bad_s == (first.time_us / 1e6 if first else None)
    assert back.outcome == ("failed" if fault else "passed")


def test_phases_stand_beside_those_the_vehicle_went_through() -> None:
    flown, _, _ = flight()
    kept = track()
    ours, true = dict(kept.phases), dict(kept.true_phases)
    assert list(true) == ["pad", "boost", "coast", "descent", "landed"]
    for name in ("boost", "coast", "descent"):
        assert 0.0 <= ours[name] - true[name] < 0.5, name
    truth = flown.truth
    assert truth is not None
    apogee_s = truth["t_s"][np.argmax(truth["position.up"])]
    assert true["descent"] == pytest.approx(apogee_s, abs=0.03)
    assert true["landed"] == flown.landing_s


def test_the_attitude_is_apart_by_the_whole_turn_and_its_curves_are_the_tilt() -> None:
    """Against scipy's Rotation; a quaternion of no length is no attitude."""
    told, truth = Rotation.from_euler("zx", [[40, 10], [-30, 25]], degrees=True), Rotation.from_euler("x", 12, degrees=True)
    parts = [tuple(quaternion) for quaternion in (*told.as_quat(scalar_first=True), np.zeros(4))]
    names = [f"attitude_quaternion.{part}" for part in "wxyz"]
    flown = made(3, lambda step: dict(zip(names, map(float, parts[step]), strict=True)))
    times = np.array([0.0, 1.0])
    flown.truth = {"t_s": times} | {
        name: np.full(2, value) for name, value in zip(names, truth.as_quat(scalar_first=True), strict=True)
    }
    found = components(flown, None, READER)[ATTITUDE]
    wanted = [float((truth.inv() * one).magnitude()) for one in told]
    assert found.apart[:2] == pytest.approx(wanted, abs=1e-6) and math.isnan(found.apart[2])
    tilts = np.arccos(told.apply([0.0, 0.0, 1.0])[:, 2])
    assert found.told[:2] == pytest.approx(tilts, abs=1e-6) and found.truth == pytest.approx(np.radians([12.0] * 3))


def test_a_run_without_truth_or_answers_is_kept_without_curves(tmp_path: Path) -> None:
    flown, _, run = flight()
    for bare in (replace(flown, truth=None, true_phases=()), replace(flown, frames=[], outages=[])):
        write_track(tmp_path / "a.pcapng", track_of(run, bare, READER, PHASES))
        assert read_track(tmp_path / "a.rehearsal.json").curves == []


def test_an_older_rehearsal_has_none(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_track(track_file(tmp_path / "old.pcapng"))


@pytest.mark.parametrize(
    "change",
    [
        {"curves": 3},
        {"curves": [{}]},
        {"seed": "1"},
        {"phases": [["pad"]]},
        {"phases": [["pad", None]]},
        {"deployment_s": [1.0]},
        {"delay_ms": [1.0, 2.0, "3"]},
        {"until_s": True},
        {"more": 1},
        {"wrongs": "text"},
        {"outages_s": [[1.0]]},
    ],
)
def test_another_kind_of_value_is_no_picture(change: dict[str, object], tmp_path: Path) -> None:
    file = tmp_path / "a.rehearsal.json"
    file.write_text(json.dumps(asdict(track()) | change))
    with pytest.raises(TrackFault):
        read_track(file)


@pytest.mark.parametrize("text", ["", "[]", "3", "{", '{"curves": 1e999}', "[" * 5000])
def test_what_is_no_picture_is_none(text: str, tmp_path: Path) -> None:
    file = tmp_path / "a.rehearsal.json"
    file.write_text(text)
    with pytest.raises(TrackFault):
        read_track(file)


def test_what_is_longer_than_any_picture_is_not_read(tmp_path: Path) -> None:
    file = track_file(tmp_path / "a.pcapng")
    write_track(tmp_path / "a.pcapng", track())
    whole = file.read_bytes()
    file.write_bytes(whole.ljust(BYTES_AT_MOST))
    assert read_track(file).curves
    file.write_bytes(whole.ljust(BYTES_AT_MOST + 1))
    with pytest.raises(TrackFault):
        read_track(file)


def test_curves_of_unequal_length_are_no_picture(tmp_path: Path) -> None:
    said = json.loads(json.dumps(asdict(track())))
    said["curves"][0]["told"].pop()
    file = tmp_path / "a.rehearsal.json"
    file.write_text(json.dumps(said))
    with pytest.raises(TrackFault):
        read_track(file)
