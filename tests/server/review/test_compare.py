"""Flights side by side: aligned at what they share, resampled like an independent interpolator, changes told."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import interp1d

from server.cli.cli import main
from server.cli.comparison import comparison_blocks
from server.cli.paper import plain_lines
from server.design.sheet_files import load_sheets
from server.review.compare import (
    AFTER_S,
    BEFORE_S,
    STEP_S,
    CompareProblem,
    compare,
    comparison_columns,
    comparison_dict,
    farthest,
    moments_to_choose,
    resampled,
)
from server.review.moments import shown
from server.review.review import Review, open_review
from tests.server.flights import flown, recorded
from tests.server.http.page_server import PageServer, run
from tests.server.http.test_messages import parse_columns
from tests.server.shelf.test_shelf import short_flight

SHEET = dict(load_sheets(None, True).vehicle)


@pytest.fixture(scope="module")
def flights(tmp_path_factory: pytest.TempPathFactory) -> list[Review]:
    """A calm flight, the same with a longer wait on the pad and another sheet, and a gusty one."""
    folder = tmp_path_factory.mktemp("c")
    other = {**SHEET, "burnout_mass_kg": 1.7, "fins": "wider"}
    return [
        open_review(recorded(folder, flown("calm"), "one")),
        open_review(recorded(folder, flown("calm", 1, 25.0), "two", vehicle=other)),
        open_review(recorded(folder, flown("gusty-rail"), "three")),
    ]


def test_the_same_weather_on_another_minute_is_nearly_the_same_flight(flights: list[Review]) -> None:
    found = compare(flights[:2])
    assert found.zero_t[1] - found.zero_t[0] == pytest.approx(10.0, abs=0.2)
    assert 0.0 in found.t and np.allclose(np.diff(found.t), STEP_S)
    assert np.array_equal(
        found.difference("height", 1), found.columns["height"][1] - found.columns["height"][0], equal_nan=True
    )
    inside = (found.t > -3.0) & (found.t < 5.0)
    assert np.nanmax(np.abs(found.difference("height", 1)[inside])) < 25.0
    gusty = compare([flights[0], flights[2]])
    apogee = float(flown("gusty-rail").truth["apogee_m"]) - float(flown("calm").truth["apogee_m"])
    row = next(row for row in gusty.numbers if row.name == "apogee")
    assert row.changes[1] == pytest.approx(apogee, rel=0.05) and row.changes[0] == 0.0
    highest = [np.nanmax(gusty.columns["height"][which]) for which in (0, 1)]
    assert highest == pytest.approx(row.values, abs=3.0)


@pytest.mark.parametrize("at", ["apogee", "burnout", "landing", "mark: half way"])
def test_any_moment_that_all_have_can_be_zero(flights: list[Review], at: str) -> None:
    found = compare(flights, at)
    for review, zero in zip(flights, found.zero_t, strict=True):
        assert zero == moments_to_choose(review)[at]
    if at == "apogee":
        climb = [float(np.interp(0.0, found.t, each)) for each in found.columns["climb"]]
        assert np.abs(climb).max() < 3.0
        assert next(row for row in found.numbers if row.name == "apogee at").values == [0.0, 0.0, 0.0]


def test_each_at_a_moment_of_its_own(flights: list[Review]) -> None:
    own = ["lift_off", "mark: half way", "apogee"]
    found = compare(flights, own)
    assert found.at == tuple(own)
    for review, moment, zero, choices in zip(flights, own, found.zero_t, found.choices, strict=True):
        assert zero == moments_to_choose(review)[moment] and set(choices) == set(moments_to_choose(review))
    assert found.columns["height"][2][np.searchsorted(found.t, 0.0)] == pytest.approx(
        np.nanmax(found.columns["height"][2]), abs=1.0
    )
    with pytest.raises(CompareProblem, match="one moment for all or 3, not 2"):
        compare(flights, own[:2])


def test_columns_are_the_sessions_own_values(flights: list[Review]) -> None:
    found = compare(flights)
    for which, (review, zero) in enumerate(zip(flights, found.zero_t, strict=True)):
        t, values, unit = shown(review, "ground.height")
        assert unit == found.units["height"]
        theirs = interp1d(t - zero, values, bounds_error=False)(found.t)
        ours = found.columns["height"][which]
        both = np.isfinite(ours)
        assert both.sum() > 500 and np.allclose(ours[both], theirs[both], atol=1e-9)


@given(st.lists(st.tuples(st.floats(0.0, 20.0), st.floats(-1e3, 1e3)), min_size=2, max_size=40, unique_by=lambda p: p[0]))
def test_resampling_is_linear_inside_and_nothing_in_gaps(points: list[tuple[float, float]]) -> None:
    t, values = (np.array(column) for column in zip(*sorted(points), strict=True))
    grid = np.arange(-20, 420) * 0.05
    ours = resampled(t, values, grid)
    for at, value in zip(grid, ours, strict=True):
        right = int(np.searchsorted(t, at))
        outside = at < t[0] or at > t[-1]
        if outside or (right < len(t) and t[right] != at and t[right] - t[right - 1] > 1.0):
            assert np.isnan(value)
        else:
            assert value == pytest.approx(float(np.interp(at, t, values)), abs=1e-9)


def test_numbers_that_are_none_are_passed_over() -> None:
    t = np.arange(0.0, 3.0, 0.1)
    values = t.copy()
    values[10] = np.nan
    assert resampled(t, values, np.array([1.0, 0.95])) == pytest.approx([1.0, 0.95])
    assert np.isnan(resampled(t, np.full(len(t), np.nan), t)).all()


def test_what_changed_on_the_sheets(flights: list[Review]) -> None:
    changes = {(row.sheet, row.key): row.values for row in compare(flights).changes}
    assert changes == {
        ("vehicle", "burnout_mass_kg"): [1.55, 1.7, 1.55],
        ("vehicle", "fins"): [None, "wider", None],
    }
    assert compare([flights[0], flights[2]]).changes == ()


def test_shapes_for_page_and_terminal(flights: list[Review]) -> None:
    found = compare(flights)
    header, tables = parse_columns(comparison_columns(found))
    names = header["tables"][0]["columns"]
    assert names[:7] == ["t", "rx", "height.0", "height.1", "height.2", "height.1-0", "height.2-0"]
    for place, name in enumerate(names[2:], 2):
        column, _, which = name.partition(".")
        one, _, minus = which.partition("-")
        wanted = found.difference(column, int(one)) if minus else found.columns[column][int(one)]
        assert np.array_equal(tables["compare"][place], wanted, equal_nan=True), name
    shape = json.loads(json.dumps(comparison_dict(found)))
    assert shape["sessions"] == ["one", "two", "three"] and len(shape["columns"]) == 5
    text = "\n".join(plain_lines(comparison_blocks(found)))
    assert "A  one, 0 s at lift-off" in text and "burnout mass  1.55 kg  1.7 kg  1.55 kg" in text
    assert re.search(r"Height above the pad: C from A by \d+\.\d m at", text) and "_" not in text


def test_what_differs_most_is_no_shock_of_a_landing(flights: list[Review]) -> None:
    """Seen: the farthest difference of two flights was a landing's shock, 20 s after all that was asked about."""
    found = compare(flights)
    tops = next(row.values for row in found.numbers if row.name == "apogee at")
    told = farthest(found)
    assert told and all(-BEFORE_S <= one.t <= max(tops) + AFTER_S for one in told)
    whole = farthest(compare(flights, "apogee"))
    assert max(one.t for one in whole) > AFTER_S, "aligned elsewhere all of it counts"


def test_what_cannot_be_compared_is_said(flights: list[Review], tmp_path: Path) -> None:
    bench = open_review(recorded(tmp_path, short_flight(), "bench"))
    with pytest.raises(CompareProblem, match="bench has no 'lift_off' to align at; all have: .*deployment, mark: half way"):
        compare([flights[0], bench])
    assert compare([flights[0], bench], "mark: half way").numbers
    for count in (0, 1, 7):
        with pytest.raises(CompareProblem, match="Two to 6"):
            compare([flights[0]] * count)
    with pytest.raises(CompareProblem, match="no 'nonsense'"):
        compare(flights, "nonsense")


def test_the_command_line(flights: list[Review], capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(review.session.path) for review in flights[:2]]
    assert main(["compare", *files]) == 0
    assert "Changed on the sheets" in capsys.readouterr().out
    assert main(["compare", *files, "--at", "apogee", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["at"] == ["apogee", "apogee"]
    assert main(["compare", files[0]]) == 1
    assert "Two to 6 sessions" in capsys.readouterr().err


def test_over_http(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.http.timeout = 20
        folder = bench.site.shelf._folder
        recorded(folder, flown("calm"), "one")
        recorded(folder, flown("gusty-rail"), "two").rename(folder / "two, again.pcapng")
        get = bench.http.get
        query = {"sessions": ["one", "two, again"], "at": "apogee"}
        told = (await get("/api/compare", params=query)).json()
        assert told["sessions"] == ["one", "two, again"] and told["at"] == ["apogee", "apogee"]
        header, tables = parse_columns((await get("/api/compare", params={**query, "form": "columns"})).content)
        assert header["tables"][0]["rows"] == tables["compare"].shape[1] > 500
        assert (await get("/api/sessions/one/moments")).json()["apogee"] == told["zero_t"][0]
        assert (await get("/api/compare?sessions=one,one")).status_code == 200
        for asked, status in (("one", 409), ("one,none", 404), ("", 404), ("one,one&at=x", 409), (",".join("abcdefg"), 409)):
            answer = await get(f"/api/compare?sessions={asked}")
            assert answer.status_code == status and answer.json()["sentence"], asked

    run(what, tmp_path, monkeypatch, mode="replay")
