"""The permit's own rules: its table, its slots, and how it is shown."""

from __future__ import annotations

import itertools

import pytest

from server.uplink.permits import PERMIT_TRANSITIONS, PermitEvent, PermitState, PlanPermit, slots_of
from server.uplink.two_acts import FirstAct

PLAN = [("channel_arm", {"channel": 1}), ("channel_arm", {"channel": 1}), ("channel_safe", {"channel": 1})]


def permit() -> PlanPermit:
    return PlanPermit("p1", "Trial", FirstAct("Ada 1", "hazardous", 5.0), slots_of(PLAN), 5.0)


def test_every_state_and_event() -> None:
    reached = {
        (state, event): PERMIT_TRANSITIONS[state].get(event) for state, event in itertools.product(PermitState, PermitEvent)
    }
    assert reached == {
        (PermitState.ARMED, PermitEvent.CONFIRM): PermitState.OPEN,
        (PermitState.ARMED, PermitEvent.END): PermitState.ENDED,
        (PermitState.OPEN, PermitEvent.CONFIRM): None,
        (PermitState.OPEN, PermitEvent.END): PermitState.ENDED,
        (PermitState.ENDED, PermitEvent.CONFIRM): None,
        (PermitState.ENDED, PermitEvent.END): None,
    }


def test_each_slot_is_used_once_and_only_while_open() -> None:
    one = permit()
    assert not one.use("channel_arm", {"channel": 1}, 6.0)
    assert one.apply(PermitEvent.CONFIRM, 6.0)
    assert not one.use("channel_arm", {"channel": 2}, 6.5), "slots for another channel are left, none for this one"
    assert one.use("channel_arm", {"channel": 1}, 7.0) and one.use("channel_arm", {"channel": 1.0}, 8.0)
    assert not one.use("channel_arm", {"channel": 1}, 9.0)
    assert not one.use("channel_arm", {"channel": 2}, 9.0)
    assert one.view().left == 1
    assert one.apply(PermitEvent.END, 9.0, "done")
    assert not one.use("channel_safe", {"channel": 1}, 9.0)
    assert one.view().reason == "done"


def test_the_window_is_shown_only_while_armed() -> None:
    one = permit()
    assert (one.view().expires_rx, one.view().earliest_confirm_rx) == (15.0, 5.3)
    one.apply(PermitEvent.CONFIRM, 6.0)
    assert one.view().expires_rx is None


@pytest.mark.parametrize("plan", [[], PLAN * 7000], ids=["empty", "endless"])
def test_a_plan_of_no_size_is_refused(plan: list) -> None:
    with pytest.raises(ValueError, match="1 to 20000"):
        slots_of(plan)
