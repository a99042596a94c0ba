"""A flight of a vehicle that tells little: every place works, and nothing shown is a number that is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.recording.session_header import Software
from server.workbench.dictionary_draft import draft_from_logs
from server.workbench.log_flight import record_log
from tests.browser.desk import PLACES
from tests.browser.station import Process, eventually
from tests.server.logs.logged_shapes import SHAPES

# A barometer alone; a barometer and one axis; a barometer, a whole unit and GNSS.
LITTLE = [
    pytest.param("semicolon", 1366, 768, "light", id="barometer"),
    pytest.param("missing values", 390, 844, "dark", id="one-axis"),
    pytest.param("three files", 1366, 768, "dark", id="unit-and-gnss"),
]


@pytest.mark.parametrize(("logged", "width", "height", "scheme"), LITTLE)
def test_no_place_of_a_vehicle_that_tells_little_shows_a_number_that_is_none(
    browser: object, tmp_path: Path, logged: str, width: int, height: int, scheme: str
) -> None:
    shape = next(one for one in SHAPES if one.name.startswith(logged))
    draft = draft_from_logs(shape.write(tmp_path))
    file = record_log(draft, draft.text, tmp_path / "sessions", Software("test"))
    station = Process(tmp_path, "replay", str(file), "--no-browser", "--http-port", "0")
    try:
        address = station.line(r"(http://\S+)")[1]
        page = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme).new_page()
        page.goto(address)
        page.locator('[data-testid="replay-banner"]').wait_for()
        for place in PLACES:
            page.locator(f'[data-testid="place-{place}"]:visible').first.click()
            section = page.locator(f"#place-{place}")
            eventually(lambda section=section: section.is_visible() and len(section.inner_text()) > 10)
            page.wait_for_timeout(600)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{place}: it scrolls sideways"
            said = page.inner_text("body")
            for wrong in ("NaN", "undefined", "Infinity", "null", "[object"):
                assert wrong not in said, f"{place}: {wrong}"
    finally:
        station.stop()
