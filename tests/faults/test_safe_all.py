"""Safe all leaves beside every trouble of the table, from the first press on: real processes, a few presses each.

`python -m tests.faults.safe_all` presses a hundred times each, through whole flights, and prints how long it took.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.safe_all_bench import TROUBLES, Field, Trouble, ready

pytestmark = pytest.mark.terminal
PRESSES = 3
NEVER_S = 1e6


@pytest.mark.parametrize("trouble", TROUBLES, ids=lambda trouble: trouble.name.replace(" ", "-"))
def test_every_press_leaves(tmp_path: Path, trouble: Trouble) -> None:
    field = Field(tmp_path, NEVER_S)
    try:
        ready(field)
        with trouble.beside(field):
            presses = [field.press() for _ in range(PRESSES)]
    finally:
        field.close()
    assert [press.took_s is not None for press in presses] == [True] * PRESSES, presses
