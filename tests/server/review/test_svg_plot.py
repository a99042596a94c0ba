"""The small chart: well-formed, nothing lost by drawing less, breaks where there is no number, round ticks."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.review.svg_plot import LEFT, LETTER, RIGHT, STRIP, TITLE, TOP, WIDTH, PlotLine, Strip, in_lanes, strips, ticks

SVG = "{http://www.w3.org/2000/svg}"


def chart(title: str, unit: str, lines: list[PlotLine], low: float, high: float, marks: list[tuple[float, str]]) -> str:
    """One strip alone."""
    return strips("one", [Strip(title, unit, lines)], low, high, marks)


def drawn(svg: str, number: int = 0) -> list[list[tuple[float, float]]]:
    """Return the strokes of a line, each a list of points."""
    root = ElementTree.fromstring(svg)
    (path,) = [p.get("d") for p in root.iter(f"{SVG}path") if p.get("class") == f"line{number}"]
    strokes = [stroke for stroke in path.split("M") if stroke]
    return [[tuple(map(float, point.split())) for point in stroke.split("L")] for stroke in strokes]


def test_corners_and_spikes_are_where_they_belong() -> None:
    t = np.arange(0.0, 100.0, 0.001)
    values = np.zeros(len(t))
    values[33_333], values[66_666] = 50.0, -50.0
    (points,) = drawn(chart("x", "m", [PlotLine("x", t, values)], 0.0, 100.0, []))
    assert len(points) <= 4 * (WIDTH - LEFT - RIGHT) + 4
    highest, lowest = min(points, key=lambda p: p[1]), max(points, key=lambda p: p[1])
    place = lambda at: LEFT + at / 100.0 * (WIDTH - LEFT - RIGHT)  # noqa: E731
    assert highest[0] == pytest.approx(place(33.333), abs=0.06) and lowest[0] == pytest.approx(place(66.666), abs=0.06)
    # 5 % room above and below: 50 is drawn at 1/22 of the height from the top.
    assert highest[1] == pytest.approx(TOP + TITLE + STRIP * 5 / 110, abs=0.06)
    assert points[0][0] == pytest.approx(LEFT, abs=0.06) and points[-1][0] == pytest.approx(WIDTH - RIGHT, abs=0.06)


def test_a_gap_and_a_value_that_is_none_break_the_line() -> None:
    t = np.array([0.0, 1.0, 2.0, 3.0, 9.0, 10.0])
    assert [len(s) for s in drawn(chart("x", "", [PlotLine("x", t, np.arange(6.0))], 0.0, 10.0, []))] == [4, 2]
    holed = np.array([0.0, 1.0, np.nan, 1.0, np.inf, 2.0])
    assert [len(s) for s in drawn(chart("x", "", [PlotLine("x", np.arange(6.0), holed)], 0.0, 10.0, []))] == [2, 1, 1]


def test_nothing_to_draw_is_said() -> None:
    for values in (np.zeros(0), np.full(3, np.nan)):
        svg = chart("Tilt", "deg", [PlotLine("x", np.arange(len(values), dtype=float), values)], 0.0, 10.0, [])
        assert "nothing was heard of it" in svg and ElementTree.fromstring(svg) is not None
    assert "nothing was heard" in chart("x", "", [PlotLine("x", np.arange(3.0), np.ones(3))], 5.0, 5.0, [])


def test_texts_are_escaped_and_marks_stand_at_their_time() -> None:
    lines = [PlotLine(name, np.arange(9.0), np.ones(9)) for name in ("<i>", "b")]
    svg = chart('<b>&"', "'", lines, 0.0, 8.0, [(4.0, "</svg><script>"), (99.0, "outside")])
    root = ElementTree.fromstring(svg)
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert "<b>&\", '" in texts and "</svg><script>" in texts and "<i>" in texts and "outside" not in texts
    (mark,) = [p.get("d") for p in root.iter(f"{SVG}path") if p.get("class") == "mark"]
    assert float(re.match(r"M([\d.]+)", mark)[1]) == pytest.approx((LEFT + WIDTH - RIGHT) / 2, abs=0.06)


@given(st.floats(-1e9, 1e9), st.floats(1e-6, 1e9))
def test_ticks_are_round_and_inside(low: float, width: float) -> None:
    found = ticks(low, low + width, 5)
    assert 1 <= len(found) <= 12
    tolerance = 1e-9 * (abs(low) + width)
    assert all(low - tolerance <= tick <= low + width + tolerance for tick in found)
    if len(found) > 1:
        step = found[1] - found[0]
        digits = step / 10.0 ** np.floor(np.log10(step) + 1e-9)
        assert min(abs(digits - d) for d in (1.0, 2.0, 5.0, 10.0)) < 1e-2 + 1e-9 * abs(low) / step


def test_no_room_no_ticks() -> None:
    assert ticks(1.0, 1.0, 5) == [] and ticks(0.0, float("inf"), 5) == []


@given(st.lists(st.tuples(st.floats(0.0, 60.0), st.text("abcdefg ", min_size=1, max_size=15)), max_size=9))
def test_no_name_lies_on_another_or_on_a_line_that_goes_down(marks: list[tuple[float, str]]) -> None:
    placed = in_lanes(sorted(marks), lambda t: LEFT + 8.0 * t)
    assert [(mark.t, mark.name) for mark in placed] == sorted(marks)
    boxes = [(LEFT + 8.0 * mark.t + 3, LEFT + 8.0 * mark.t + 3 + LETTER * len(mark.name), mark.lane) for mark in placed]
    for number, (left, right, lane) in enumerate(boxes):
        for other_left, _, other_lane in boxes[number + 1 :]:
            assert other_lane != lane or other_left >= right, "two names in one row"
            assert other_lane > lane or not left < other_left - 3 < right, "a later line begins below, or beyond the name"


def test_the_last_name_ends_inside_and_strips_share_one_clock() -> None:
    lines = [PlotLine("x", np.arange(100.0), np.arange(100.0))]
    svg = strips("two", [Strip("one", "m", lines), Strip("two", "", lines)], 0.0, 99.0, [(98.5, "a long name indeed")])
    root = ElementTree.fromstring(svg)
    (name,) = [text for text in root.iter(f"{SVG}text") if text.get("class") == "event"]
    assert float(name.get("x")) + LETTER * len(name.text) <= WIDTH
    first, second = [p.get("d") for p in root.iter(f"{SVG}path") if p.get("class") == "line0"]
    across = [[float(point.split()[0]) for point in re.split("[ML]", d) if point] for d in (first, second)]
    assert across[0] == across[1]
    (mark,) = [p.get("d") for p in root.iter(f"{SVG}path") if p.get("class") == "mark"]
    assert mark.count("M") == 3, "through both strips and not through the title between them"
