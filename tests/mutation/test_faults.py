"""Every fault still fits the present source, so that the documented mutation run means something."""

from __future__ import annotations

import pytest

from tests.mutation.fault import Fault
from tests.mutation.faults import FAULTS
from tests.mutation.run import EXAMPLES, MACHINE, ROOT, DoesNotApply, changed_sources


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name.replace(" ", "-"))
def test_fault_applies_to_the_present_source_and_compiles(fault: Fault) -> None:
    for path, text in changed_sources(fault, ROOT).items():
        compile(text, str(path), "exec")
        assert text != path.read_text("utf-8")


def test_there_are_enough_faults_with_names_of_their_own_and_real_catchers() -> None:
    assert len(FAULTS) >= 24
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
    for file in (*EXAMPLES, MACHINE, *(fault.catcher for fault in FAULTS)):
        assert (ROOT / file).is_file()


def test_fault_that_no_longer_fits_is_noticed() -> None:
    with pytest.raises(DoesNotApply, match="0 times in server/uplink/counter_store.py"):
        changed_sources(Fault("gone", "x", (("server/uplink/counter_store.py", "no such text anywhere", "x"),)), ROOT)
