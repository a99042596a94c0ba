"""The short form of the fault bench: each fault that no other test of the suite injects, against real processes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.all import CASES
from tests.faults.case import Case
from tests.faults.pad import Pad
from tests.faults.row import run_case

pytestmark = pytest.mark.terminal


@pytest.fixture(scope="module")
def pad(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pad]:
    pad = Pad(tmp_path_factory.mktemp("pad"))
    yield pad
    pad.close()


@pytest.mark.parametrize("case", [case for case in CASES if case.on_pad and case.short], ids=lambda case: case.id)
def test_on_the_pad(case: Case, pad: Pad, tmp_path: Path) -> None:
    run_case(case, case.short, tmp_path, pad)


@pytest.mark.parametrize("case", [case for case in CASES if not case.on_pad and case.short], ids=lambda case: case.id)
def test_alone(case: Case, tmp_path: Path) -> None:
    run_case(case, case.short, tmp_path, None)
