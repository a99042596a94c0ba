"""The vectors that the page's tests run are what the station says now; `python -m tests.vectors` writes them anew."""

from __future__ import annotations

import pytest

from server.telemetry.tables import table_specs
from tests.protocol.helpers import SMALL
from tests.vectors.make import FOLDER, vectors, written

CASES = vectors()


@pytest.mark.parametrize("name", CASES)
def test_vectors_are_what_the_station_says(name: str) -> None:
    assert (FOLDER / f"{name}.json").read_text("utf-8") == written(CASES[name])


def test_no_vector_is_left_over() -> None:
    assert {path.stem for path in FOLDER.glob("*.json")} == set(CASES)


@pytest.mark.parametrize("role", ["ground.speed", "ground.height", "ground.climb_rate", "ground.tilt"])
def test_what_the_page_leaves_to_the_station_is_in_every_session(role: str) -> None:
    """Even of a vehicle without any role; so the page works out no speed of its own."""
    assert role in {column.role for spec in table_specs(SMALL).values() for column in spec.columns}
