"""The vectors that the page's tests run are what the station says now; `python -m tests.vectors` writes them anew."""

from __future__ import annotations

import pytest

from tests.vectors.make import FOLDER, vectors, written

CASES = vectors()


@pytest.mark.parametrize("name", CASES)
def test_vectors_are_what_the_station_says(name: str) -> None:
    assert (FOLDER / f"{name}.json").read_text("utf-8") == written(CASES[name])


def test_no_vector_is_left_over() -> None:
    assert {path.stem for path in FOLDER.glob("*.json")} == set(CASES)
