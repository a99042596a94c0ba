"""A browser for each file of tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.browser.desk import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    """The system's Chromium, launched."""
    with chromium() as launched:
        yield launched
