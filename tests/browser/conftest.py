"""A browser for each file of tests; for those of the desk a twin and a station, left on the ground, safe and heard."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.browser.desk import Bench, chromium


@pytest.fixture(scope="package")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A twin that waits on the pad, and a station."""
    with Bench(tmp_path_factory.mktemp("bench")) as running:
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    """The system's Chromium, launched."""
    with chromium() as launched:
        yield launched
