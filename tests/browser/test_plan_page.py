"""What to change before the next flight, in a real browser: forecast, configuration, a change by hand, another motor."""

from __future__ import annotations

from pathlib import Path

from tests.browser.station import Process, eventually
from tests.browser.test_review_page import opened
from tests.server.flights import SHEETS, flown, recorded

MOTOR = "time,thrust\n0,0\n0.05,160\n0.6,120\n1.0,90\n1.1,0\n"


def test_a_change_is_tried_on_paper(browser: object, tmp_path: Path) -> None:
    (tmp_path / "sessions").mkdir()
    vehicle = {**SHEETS.vehicle, "configuration": {**SHEETS.vehicle["configuration"]}}
    vehicle["configuration"]["fins"] = [{**vehicle["configuration"]["fins"][0], "name": "<b>tail</b> fins"}]
    replay, page = opened(browser, tmp_path, recorded(tmp_path / "sessions", flown("calm"), "mine", vehicle=vehicle))
    at = lambda part: page.locator(f"#place-learn {part}")  # noqa: E731
    column = lambda key: at(f'.next td[data-key="{key}"]').all_inner_texts()  # noqa: E731
    try:
        page.locator('[data-testid="learn-next"]').click()
        eventually(lambda: len(column("apogee_m")) == 1)
        apogee = float(column("apogee_m")[0])
        assert 250 < apogee < 300 and "measured in this session" in at(".next").inner_text()
        assert "<b>tail</b> fins" in at(".configuration").inner_text(), "a text of the sheet stays a text"
        assert "2.36" in at('[data-testid="configuration-states"]').inner_text()

        at(".next summary").click()
        at('[data-testid="plan-mass_g"]').fill("-80")
        at('[data-testid="plan-wind_m_s"]').fill("6")
        at('[data-testid="plan-wind_m_s"]').press("Tab")
        eventually(lambda: len(column("apogee_m")) == 2 and column("wind_m_s")[1] == "6.0")
        assert column("mass_kg") == ["1.620", "1.540"]
        assert "not met (at least 24" in at(".plan-limits").inner_text(), "the wind asks for more speed at the rail's end"

        at('[data-testid="plan-motor"]').set_input_files(
            files=[{"name": "m.csv", "mimeType": "text/csv", "buffer": MOTOR.encode()}]
        )
        eventually(lambda: column("motor")[1:] == ["G116"])
        at('[data-testid="plan-clear"]').click()
        eventually(lambda: len(column("apogee_m")) == 1)

        # A motor that cannot be one is a sentence, and the forecast stays.
        at('[data-testid="plan-motor"]').set_input_files(files=[{"name": "m.csv", "mimeType": "text/csv", "buffer": b"no"}])
        eventually(lambda: "The other motor" in page.locator("body").inner_text())
        assert len(column("apogee_m")) == 1
    finally:
        replay.stop()


def test_a_sheet_that_says_nothing_of_it(browser: object, tmp_path: Path) -> None:
    (tmp_path / "sessions").mkdir()
    replay, page = opened(browser, tmp_path, recorded(tmp_path / "sessions", flown("calm"), "mine", vehicle={"name": "X"}))
    try:
        page.locator('[data-testid="learn-next"]').click()
        eventually(lambda: "The sheet lacks rail_length_m" in page.locator("#place-learn .next").inner_text())
        assert "what the vehicle is built of" in page.locator("#place-learn .configuration").inner_text()
        assert not page.locator("#place-learn .plan-form").is_visible()
        page.set_viewport_size({"width": 390, "height": 844})
        page.reload()
        page.locator('button.bar-mark[aria-label="Go to Landing"]').wait_for(state="attached")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, "the last mark's word ran off the side"
    finally:
        replay.stop()


def test_before_it_ever_flew(browser: object, tmp_path: Path) -> None:
    """The live session's forecast stands in Learn, and trying things out is not burdened with it."""
    demo = Process(tmp_path, "demo", "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
        page.goto(demo.line(r"Page: (http://\S+)")[1])
        page.locator('[data-testid="place-try"]').click()
        assert page.locator("#place-try .channels").is_visible() and page.locator("#place-try .next").count() == 0
        page.locator('[data-testid="place-learn"]').click()
        here = page.locator("#place-learn .next")
        eventually(lambda: "the usual coefficient" in here.inner_text())
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, "nothing to scroll sideways on a phone"
    finally:
        demo.stop()
