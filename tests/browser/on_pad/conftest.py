"""A twin and a station for all files of this folder, left on the ground, safe and heard; they end with its last test.

Tests that need neither stand outside, since the two cost a quarter of a core for as long as they run.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.browser.desk import Bench


@pytest.fixture(scope="package")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A twin that waits on the pad, and a station."""
    with Bench(tmp_path_factory.mktemp("bench")) as running:
        yield running
