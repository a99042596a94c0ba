"""One browser for all files of tests, since each launch costs about a second; every test has pages of its own in it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.browser.station import CHROMIUM_ARGUMENTS, chromium, chromium_path


@pytest.fixture(scope="package")
def launched() -> Iterator[list[object]]:
    """The system's Chromium, launched; the last of the list is the one to be used."""
    with chromium() as first:
        browsers = [first]
        yield browsers
        for later in browsers[1:]:
            later.close()


@pytest.fixture
def browser(launched: list[object]) -> Iterator[object]:
    """A browser without pages: another one where the one before did not survive its test."""
    if not launched[-1].is_connected():
        launched.append(launched[0].browser_type.launch(executable_path=chromium_path(), args=CHROMIUM_ARGUMENTS))
    yield launched[-1]
    for context in launched[-1].contexts if launched[-1].is_connected() else ():
        context.close()
