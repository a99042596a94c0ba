"""One twin and one station for the tests of the desk: each leaves the vehicle on the ground, safe and heard."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.browser.desk import Bench


@pytest.fixture(scope="package")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A twin that waits on the pad, and a station."""
    with Bench(tmp_path_factory.mktemp("bench")) as running:
        yield running
