"""A card's log of any shape finds its place on the recording that the radio brought of the same flight."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.segment import base_name
from server.recording.session_header import Software, make_header
from server.review.review import Review, open_review
from server.shelf.onboard_store import OnboardStore
from server.shelf.shelf import Shelf
from tests.server.logs.logged_shapes import SHAPES, Shape, columns, flown
from tests.server.logs.stranger_shapes import STRANGER
from tests.server.shelf.test_onboard_little import WIRE_2

BEFORE_S, LOSS, EVERY = 7.0, 0.1, 3
FIELDS = """
[packet.air]
apid = 16
rate_hz = 16.7
fields = [
  { name = "p", type = "f64", unit = "Pa", role = "pressure" },
  { name = "a", type = "f32", unit = "m/s2", role = "accel.a.z" },
]
"""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the radio brought: pressure and force, a tenth lost, noise of its own, the vehicle on for seven seconds more."""
    rng, told, text = np.random.default_rng(77), columns(7), WIRE_2 + FIELDS
    link, clock = VehicleLink(parse_dictionary(text), bytes(32), 5), FakeClock()
    header = make_header(clock, software=Software("t"), dictionary=text, vehicle={}, site={}, source="t")
    recorder = Recorder(tmp_path_factory.mktemp("sessions"), "flight", header, clock=clock)
    for t, p, a in zip(*(told[name][::EVERY].tolist() for name in ("t", "pressure", "along")), strict=True):
        at = t + BEFORE_S
        if rng.random() > LOSS:
            frame = link.frame("air", round(at * 1e3), {"p": p, "a": a})
            recorder.append(Kind.RECEIVED, header.monotonic_ns + round((at + 0.04) * 1e9), frame)
    clock.advance(float(told["t"][-1]) + BEFORE_S + 1.0)
    return recorder.close()


@pytest.fixture(scope="module")
def review(session: Path) -> Review:
    return open_review(session)


@pytest.mark.parametrize("shape", (*SHAPES, *STRANGER), ids=lambda one: one.name)
def test_a_log_of_this_shape_comes_home(shape: Shape, tmp_path: Path, session: Path, review: Review) -> None:
    store, place = OnboardStore(), Shelf(session.parent).place_of(base_name(session))
    told = store.take_files(review, place, shape.write(tmp_path), None)
    assert told.alignment.refused == ""
    log, found = store.kept(place)
    # The height's top is where it was, by the log's own clock put onto the recording's.
    flight = flown()
    height = log.of_role("altitude_baro") or log.of_role("pressure")
    is_up = height.role == "altitude_baro"
    level = np.where(np.isfinite(height.values), height.values if is_up else -height.values, -np.inf)
    rising = log.t[np.flatnonzero(level > np.max(level) - (300.0 if not is_up else 25.0))[[0, -1]]]
    top = float(np.mean(found.to_reference(rising)))
    up = flight.t[np.flatnonzero(flight.height > flight.apogee_m - 25.0)[[0, -1]]]
    assert abs(top - (float(np.mean(up)) + BEFORE_S)) < 0.5
