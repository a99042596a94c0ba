"""The count: every state against every event, that no hold point is ever passed, and what keeps it from running."""

from __future__ import annotations

import ast
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.pad.count import (
    ADVICE,
    CALLED_S,
    COUNT_TRANSITIONS,
    PERSONS,
    Count,
    CountEvent,
    CountState,
    HoldPoint,
    Stops,
    clock_text,
)
from server.pad.plan import QUANTITIES, load_pad_plan
from server.telemetry.conditions import COMPUTED
from tests.server.pad.pad_world import DICTIONARY, KEY_OUT, plan_of, told

POINTS = (HoldPoint(30.0, "Spectators"), HoldPoint(10.0, "Continuity"))
FREE = Stops()
SERVER = Path(__file__).resolve().parents[3] / "server"
E, S = CountEvent, CountState


def repr_start(value: object) -> str:
    """Return a short name of a value for a test's id."""
    return repr(value)[:12]


def act(count: Count, event: CountEvent, now_s: float, stops: Stops = FREE, seconds: object = None) -> str | None:
    return count.act(event, "Ada 1", "2026-06-15T15:00:00Z", now_s, stops, seconds)


def in_state(state: CountState) -> Count:
    """Return a count that came to a state by its own ways, as of second 10."""
    count = Count()
    if state in (S.RUNNING, S.HELD, S.UNKNOWN):
        act(count, E.START, 0.0)
    if state is S.PAST:
        act(count, E.ADJUST, 0.0, seconds=5)
        act(count, E.START, 0.0)
    if state is S.HELD:
        act(count, E.HOLD, 5.0)
    if state is S.UNKNOWN:
        count.happen(E.VEHICLE_RESTART, 5.0)
    if state is S.FLOWN:
        count.happen(E.LIFT_OFF, 5.0)
    count.look(10.0)
    assert count.state is state
    count.take_changes()
    return count


def bodies(count: Count) -> list[dict]:
    return [dict(change.body) for change in count.take_changes() if change.key == "state"]


@pytest.mark.parametrize(("state", "event"), list(product(CountState, CountEvent)))
def test_every_state_does_with_every_event_what_the_table_says(state: CountState, event: CountEvent) -> None:
    count = in_state(state)
    following = COUNT_TRANSITIONS[state].get(event)
    if event in PERSONS:
        problem = act(count, event, 10.0, seconds=42)
        # Past zero is held, and nothing but a recycle leads out of it; the twin of that is in the tests below.
        assert (problem is None) == (following is not None), problem
    elif event not in (E.HOLD_POINT, E.ZERO):  # those come by time alone
        count.happen(event, 10.0)
    else:
        count.happen(event, 10.0)
        following = following if following is None else count.state
    assert count.state is (following or state)
    assert bool(bodies(count)) == (following is not None)


def test_a_count_runs_to_zero_and_on_and_calls_its_seconds() -> None:
    count = Count()
    act(count, E.START, 100.0)
    count.take_changes()
    called = []
    for tick in range(20 * 65):
        count.look(100.0 + tick / 20)
        called += [change.body for change in count.take_changes() if change.key == "second"]
    assert [body["seconds"] for body in called] == list(CALLED_S[1:])
    assert [body["at_rx"] for body in called] == [160.0 - second for second in CALLED_S[1:]]
    assert count.state is S.PAST and count.remaining_s(164.0) == -4.0


def test_a_slow_look_calls_and_holds_all_the_same() -> None:
    count = Count(POINTS)
    act(count, E.START, 0.0)
    count.look(1000.0)
    assert count.state is S.HELD and count.remaining_s(1000.0) == 30.0
    assert bodies(count)[-1]["why"] == "hold point: Spectators"


def test_each_hold_point_holds_once_and_again_after_a_recycle() -> None:
    count = Count(POINTS)
    act(count, E.START, 0.0)
    count.look(31.0)
    assert act(count, E.RESUME, 40.0) is None
    count.look(59.9)
    assert count.state is S.RUNNING
    count.look(60.0)
    assert count.state is S.HELD and count.remaining_s(60.0) == 10.0
    assert act(count, E.RESUME, 61.0) is None
    assert act(count, E.RECYCLE, 62.0) is None
    assert count.state is S.HELD and count.remaining_s(70.0) == 60.0
    assert act(count, E.RESUME, 70.0) is None
    count.look(200.0)
    assert count.remaining_s(200.0) == 30.0


@pytest.mark.parametrize("event", [E.START, E.RESUME])
def test_a_red_line_keeps_it_from_running(event: CountEvent) -> None:
    count = in_state(S.SET if event is E.START else S.HELD)
    assert act(count, event, 20.0, Stops(red=["Battery under load"])) == "not met on the pad sheet: Battery under load"
    assert count.state in (S.SET, S.HELD) and bodies(count) == []
    assert act(count, event, 20.0) is None


def test_a_hold_point_that_is_reached_keeps_it_from_running_until_its_item_is_met() -> None:
    count = Count(POINTS)
    stops = Stops(unmet=POINTS)
    assert act(count, E.START, 0.0, stops) is None, "a minute before zero neither is due"
    count.look(40.0)
    assert act(count, E.RESUME, 41.0, stops) == "hold point: Spectators (T-0:30)"
    assert act(count, E.RESUME, 41.0, Stops(unmet=POINTS[1:])) is None
    act(count, E.HOLD, 42.0)
    act(count, E.ADJUST, 43.0, seconds=9)
    told_ = act(count, E.RESUME, 44.0, stops)
    assert told_ == "hold point: Spectators (T-0:30), Continuity (T-0:10)", "set past a hold point is not past its item"


def test_past_zero_only_a_recycle_leads_on() -> None:
    count = in_state(S.PAST)
    assert act(count, E.HOLD, 12.0) is None
    assert act(count, E.RESUME, 13.0) == "the count is past zero: recycle it"
    assert act(count, E.RECYCLE, 13.0) is None and act(count, E.RESUME, 14.0) is None


@pytest.mark.parametrize("wrong", [None, True, "60", 0, 0.4, 3601, float("nan"), float("inf"), 10**400], ids=repr_start)
def test_it_is_set_to_whole_seconds_within_an_hour(wrong: object) -> None:
    count = Count()
    assert act(count, E.ADJUST, 0.0, seconds=wrong) == "the count can be set to 1 to 3600 seconds before zero"
    assert act(count, E.ADJUST, 0.0, seconds=90) is None and count.remaining_s(5.0) == 90.0


def test_it_is_held_after_a_restart_of_the_station_and_says_so() -> None:
    count = Count(POINTS)
    act(count, E.START, 100.0)
    kept = bodies(count)[-1]
    after = Count(POINTS)
    after.take_up(kept, 110.0, 130.0)
    assert after.state is S.HELD and after.remaining_s(131.0) == 50.0
    assert bodies(after)[-1]["why"] == "the station was restarted"


def test_one_that_had_gone_past_zero_before_the_restart_is_unknown() -> None:
    count = Count()
    act(count, E.START, 100.0)
    kept = bodies(count)[-1]
    after = Count()
    after.take_up(kept, 165.0, 180.0)
    assert after.state is S.UNKNOWN


@pytest.mark.parametrize(
    "kept", [{}, {"state": "running"}, {"state": 7, "remaining_s": 1.0, "at_rx": 1.0, "set_s": 60.0}, {"state": "held"}]
)
def test_a_recording_may_hold_anything(kept: dict) -> None:
    count = Count()
    count.take_up(kept, 1.0, 2.0)
    assert count.state is S.SET


STEPS = st.lists(
    st.tuples(
        st.sampled_from([*PERSONS]),
        st.floats(0.0, 40.0),
        st.booleans(),
        st.integers(1, 90),
    ),
    max_size=30,
)


@given(steps=STEPS)
def test_no_hold_point_is_ever_passed_and_red_never_runs(steps: list[tuple[CountEvent, float, bool, int]]) -> None:
    """From any acts at any times: it never moves below a hold point without having held there, or checked there."""
    count, now_s = Count(POINTS), 0.0
    cleared = 61.0 * 60.0  # down to here a person's act has found every hold point's item met
    for event, pause_s, red, seconds in steps:
        now_s += pause_s
        count.look(now_s)
        if count.is_moving:
            below = [p for p in POINTS if p.at_s > count.remaining_s(now_s)]
            assert all(point.at_s >= cleared for point in below), "passed a hold point"
        stops = Stops(red=["Red"]) if red else FREE
        was = count.state
        problem = act(count, event, now_s, stops, seconds)
        if event in (E.START, E.RESUME) and red:
            assert problem is not None and count.state is was
        if event in (E.START, E.RESUME) and problem is None:
            cleared = count.remaining_s(now_s)
        if event in (E.RECYCLE, E.ADJUST) and problem is None:
            cleared = 61.0 * 60.0


def test_the_page_can_count_from_what_is_kept() -> None:
    count = Count(POINTS)
    act(count, E.START, 100.0)
    body = bodies(count)[-1]
    assert (body["remaining_s"], body["at_rx"], body["next_hold_s"], body["by"]) == (60.0, 100.0, 30.0, "Ada 1")
    count.look(200.0)
    assert bodies(count)[-1]["next_hold_s"] == 10.0


def test_a_count_is_written_as_people_say_it() -> None:
    assert [clock_text(s) for s in (60.0, 41.2, 0.1, 0.0, -3.9)] == ["T-1:00", "T-0:42", "T-0:01", "T+0:00", "T+0:03"]


def test_hold_points_are_items_of_the_pad_sheet() -> None:
    plan = load_pad_plan(None, DICTIONARY)
    assert [(item.name, item.hold_at_s) for item in plan.items if item.hold_at_s] == [
        ("recovery-continuity", 10.0),
        ("spectators", 30.0),
    ]
    assert plan_of(KEY_OUT).items[0].shape()["hold_at_s"] is None
    with pytest.raises(Exception) as refused:
        plan_of(f"{KEY_OUT}\nhold_at = 0")
    assert told(refused.value).endswith("must be 1 to 3600 seconds before zero")


def imports_of(file: Path) -> set[str]:
    """Return the modules that a file imports."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom):
            found |= {str(node.module), *(f"{node.module}.{name.name}" for name in node.names)}
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
    return found


def test_nothing_that_commands_looks_at_the_count() -> None:
    """It fires nothing and feeds no interlock: who imports it is a short list, and no role tells it."""
    counts = {"server.pad.count", "server.live.count_desk"}
    users = {f.relative_to(SERVER).as_posix() for f in SERVER.rglob("*.py") if counts & imports_of(f)}
    assert users == {"app.py", "http/context.py", "live/count_desk.py"}
    assert not [role for role in {*COMPUTED, *QUANTITIES} if "count" in role]
    desk = imports_of(SERVER / "live" / "count_desk.py")
    assert not {name for name in desk if name.startswith(("server.uplink.command_queue", "server.live.command_executor"))}
    assert "fires nothing" in ADVICE and "voice rules" in ADVICE
