"""The window of the second act, written once: too soon, in time, too late, whose act it is, and what disarmed (I1, I4)."""

from __future__ import annotations

import pytest

from server.uplink.two_acts import CONFIRM_EARLIEST_S, CONFIRM_LATEST_S, TwoActs

ADA, BEN = "Ada 1", "Ben 1"
OVER = "what was ready is not ready any more; get it ready again"
ONLY_THE_SAME = "only the person who got it ready can confirm it"
ANOTHER = "by the two-person rule another signed-in person confirms what the holder of authority got ready"


def acts(**more) -> TwoActs:
    two_acts = TwoActs(**more)
    two_acts.holder = ADA
    return two_acts


@pytest.mark.parametrize(
    ("waited_s", "said"),
    [
        (0.0, "too soon: look first, then confirm"),
        (CONFIRM_EARLIEST_S - 0.01, "too soon: look first, then confirm"),
        (CONFIRM_EARLIEST_S, None),
        (CONFIRM_LATEST_S, None),
        (CONFIRM_LATEST_S + 0.01, OVER),
        (1e9, OVER),
    ],
)
def test_i1_the_second_act_counts_inside_the_window_only(waited_s: float, said: str | None) -> None:
    """I1."""
    two_acts = acts()
    first = two_acts.first(ADA, "hazardous", 0.0)
    assert two_acts.why_not(first, ADA, waited_s) == said
    assert (first.earliest_s, first.latest_s) == (CONFIRM_EARLIEST_S, CONFIRM_LATEST_S)


def test_i1_the_second_act_is_of_the_same_person_and_names_the_same_thing() -> None:
    two_acts = acts()
    first = two_acts.first(ADA, "hazardous", 0.0)
    assert two_acts.why_not(first, BEN, 1.0) == ONLY_THE_SAME
    assert two_acts.why_not(first, ADA, 1.0, is_same=False) == "this is not the command that was made ready"
    two_acts.holder = BEN
    assert two_acts.why_not(first, ADA, 1.0) == two_acts.why_not(first, BEN, 1.0) == ONLY_THE_SAME


def test_i4_a_first_act_from_before_a_disarming_event_counts_no_more() -> None:
    two_acts = acts()
    before = two_acts.first(ADA, "routine", 0.0)
    two_acts.disarm()
    after = two_acts.first(ADA, "routine", 0.0)
    assert two_acts.why_not(before, ADA, 1.0) == OVER
    assert two_acts.why_not(after, ADA, 1.0) is None


def test_i1_by_the_two_person_rule_another_seat_confirms_what_is_hazardous_and_nothing_else() -> None:
    two_acts = acts(two_person=True, seat_of={ADA: "first", "Ada 2": "first", BEN: "second"}.get)
    first = two_acts.first(ADA, "hazardous", 0.0)
    assert two_acts.needs_another("hazardous") and not two_acts.needs_another("guarded")
    assert [two_acts.why_not(first, who, 1.0) for who in (ADA, "Ada 2", "Nobody 1", BEN)] == [ANOTHER] * 3 + [None]
    guarded = two_acts.first(ADA, "guarded", 0.0)
    assert [two_acts.why_not(guarded, who, 1.0) for who in (ADA, BEN)] == [None, ONLY_THE_SAME]
    two_acts.holder = BEN
    assert two_acts.why_not(first, BEN, 1.0) == ANOTHER, "who armed it holds authority no more"
