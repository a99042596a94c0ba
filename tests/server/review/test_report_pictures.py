"""The flight in space: places where they belong, one scale for both axes, names beside each other, nothing outside."""

from __future__ import annotations

import re
from math import hypot, pi
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.flight.units import IMPERIAL
from server.review.flight_path import FlightPath, flight_path
from server.review.report_pictures import PLAN_HEIGHT, SIDE_HEIGHT, WIDTH, Names, plan_picture, side_picture
from server.review.review import open_review
from server.settings import sample_folder

SVG = "{http://www.w3.org/2000/svg}"


def arc(east: float, north: float, high: float) -> FlightPath:
    """A flight up and down again to a place, its nose along the way it goes at first."""
    t = np.linspace(0.0, 20.0, 401)
    share = t / 20.0
    places = np.column_stack([east * share, north * share, high * 4 * share * (1 - share)])
    nose = np.tile([0.0, 0.0, 1.0], (len(t), 1))
    return FlightPath(t, places, t, nose)


def spots(svg: str) -> list[tuple[float, float]]:
    root = ElementTree.fromstring(svg)
    return [(float(c.get("cx")), float(c.get("cy"))) for c in root.iter(f"{SVG}circle") if c.get("class") == "spot"]


def test_from_the_side_height_and_distance_have_one_scale() -> None:
    path = arc(30.0, 40.0, 200.0)
    svg = side_picture(path, [(0.0, "lift-off"), (10.0, "apogee"), (20.0, "landed")], 10.0)
    (x0, y0), (x1, y1), (x2, y2) = spots(svg)
    per_meter = (y0 - y1) / 200.0
    assert y2 == pytest.approx(y0, abs=0.2)
    assert (x1 - x0) / per_meter == pytest.approx(25.0, abs=0.5) and (x2 - x0) / per_meter == pytest.approx(50.0, abs=0.5)
    root = ElementTree.fromstring(svg)
    (nose,) = [p.get("d") for p in root.iter(f"{SVG}path") if p.get("class") == "nose"]
    strokes = re.findall(r"l(-?[\d.]+) (-?[\d.]+)", nose)
    assert len(strokes) == 40, "every quarter of a second until the top"
    assert all(abs(float(across)) < 0.1 and float(down) < -5 for across, down in strokes), "a nose straight up is drawn so"


def test_from_above_north_is_up_and_rings_are_where_they_say() -> None:
    svg = plan_picture(arc(30.0, 40.0, 200.0), [(20.0, "landed")], 10.0, (30.0, 40.0, 5.0), pi / 2)
    root = ElementTree.fromstring(svg)
    rings = [float(c.get("r")) for c in root.iter(f"{SVG}circle") if c.get("class") == "ring"]
    told = sorted(float(t.text.split()[0]) for t in root.iter(f"{SVG}text") if "ringed" in (t.get("class") or ""))
    assert len(rings) == len(told) >= 2
    scale = sorted(rings)[0] / told[0]
    assert [ring / scale for ring in sorted(rings)] == pytest.approx(told, rel=0.01)
    ((x, y),) = spots(svg)
    assert ((x - WIDTH / 2) / scale, (PLAN_HEIGHT / 2 - y) / scale) == pytest.approx((30.0, 40.0), abs=0.3)
    (within,) = [c for c in root.iter(f"{SVG}circle") if c.get("class") == "within"]
    assert float(within.get("r")) / scale == pytest.approx(5.0, abs=0.1)
    (wind,) = [p.get("d") for p in root.iter(f"{SVG}path") if p.get("class") == "wind"]
    begin, end = re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", wind)[:2]
    assert float(end[0]) > float(begin[0]) and float(end[1]) == pytest.approx(float(begin[1]), abs=0.1), "toward the east"


def test_feet_are_on_the_axis_where_feet_are_read() -> None:
    svg = side_picture(arc(30.0, 40.0, 200.0), [], 10.0, IMPERIAL)
    values = [float(text.split()[0]) for text in re.findall(r">([\d.]+ ft)<", svg)]
    assert max(values) == 600.0 and " m<" not in svg


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-3000, 3000),
    st.floats(-3000, 3000),
    st.floats(0.5, 4000),
    st.lists(st.tuples(st.floats(0, 20), st.sampled_from(["lift-off", "control enabled", "apogee", "landed"])), max_size=7),
)
def test_whatever_was_flown_stays_inside(east: float, north: float, high: float, moments: list[tuple[float, str]]) -> None:
    path = arc(east, north, high)
    for svg, height in (
        (side_picture(path, moments, 10.0), SIDE_HEIGHT),
        (plan_picture(path, moments, 10.0, (east, north, 10.0), 1.0), PLAN_HEIGHT),
    ):
        assert ElementTree.fromstring(svg) is not None and "nan" not in svg
        for x, y in spots(svg):
            assert -1 <= x <= WIDTH + 1 and -1 <= y <= height + 1


@given(st.lists(st.tuples(st.floats(0, 400), st.floats(0, 300), st.text("abc", min_size=1, max_size=15)), max_size=12))
def test_names_never_lie_on_each_other(places: list[tuple[float, float, str]]) -> None:
    names = Names(400, 300)
    for place in places:
        names.put(*place)
    for number, box in enumerate(names.taken):
        assert not any(box.meets(other) for other in names.taken[:number])
        assert 0 <= box.left and box.right <= 400 and 0 <= box.top and box.bottom <= 300


def test_a_recorded_flights_path_ends_where_the_summary_says() -> None:
    review = open_review(sample_folder() / "calm.pcapng")
    path = flight_path(review, 19.0, 90.0)
    assert path is not None and len(path.nose_t) > 100
    recovery = next(e.body for e in reversed(review.output.entries) if e.topic == "figure" and e.key == "recovery")
    east, north, _ = path.at(89.0)
    assert hypot(east, north) == pytest.approx(recovery["landing_distance_m"], abs=2.0)
    assert np.allclose(np.linalg.norm(path.nose, axis=1), 1.0, atol=0.01)
