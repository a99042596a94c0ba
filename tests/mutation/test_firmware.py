"""The faults of the C library fit its present source, and the run notices one and lets the sound library pass."""

from __future__ import annotations

from importlib import resources

import pytest

from tests.mutation.firmware import FAULTS, Fault, is_noticed


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name.replace(" ", "-"))
def test_fault_applies_to_the_present_source(fault: Fault) -> None:
    text = resources.files("server.firmware").joinpath("c", fault.file).read_text("utf-8")
    assert text.count(fault.old) == 1 and fault.old != fault.new


def test_a_fault_is_noticed_and_none_is_not() -> None:
    (forged,) = [fault for fault in FAULTS if fault.name == "no tag looked at"]
    assert is_noticed(forged) is not None
    assert (
        is_noticed(Fault("none", "bh_link.c", "enum bh_heard heard = BH_NOTHING;", "enum bh_heard heard=BH_NOTHING;"))
        is None
    )
