"""Where the next flight may come down, in a real browser: drawn on demand, ended, and shown against the field."""

from __future__ import annotations

from pathlib import Path

from tests.browser.station import eventually
from tests.browser.test_review_page import opened
from tests.server.flights import SHEETS, flown, recorded

SOUNDING = b"height_m,speed_m_s,from_deg\n2,3,180\n300,9,180\n"


def test_flights_are_drawn_stopped_and_looked_at(browser: object, tmp_path: Path) -> None:
    (tmp_path / "sessions").mkdir()
    session = recorded(tmp_path / "sessions", flown("calm"), "mine", vehicle=SHEETS.vehicle, site=SHEETS.site)
    replay, page = opened(browser, tmp_path, session)
    see = lambda testid: page.locator(f'#place-learn .dispersion [data-testid="{testid}"]').first  # noqa: E731
    try:
        page.locator('[data-testid="learn-next"]').click()
        eventually(lambda: see("dispersion-draw").is_enabled())
        assert "no keep-out" in page.locator("#place-learn .dispersion").inner_text()
        see("dispersion-draw").click()
        eventually(lambda: " of 2000" in see("dispersion-said").inner_text() and see("dispersion-stop").is_visible())
        see("dispersion-stop").click()
        eventually(lambda: see("dispersion-said").inner_text() == "Ended before it was done.")

        see("dispersion-wind").set_input_files(files=[{"name": "w.csv", "mimeType": "text/csv", "buffer": SOUNDING}])
        see("dispersion-draw").click()
        eventually(lambda: see("dispersion-numbers").is_visible(), 60)
        assert "outside the field" in see("dispersion-case").inner_text()
        assert "wind: the sounding" in see("dispersion").inner_text()
        eventually(lambda: page.locator("#place-learn .dispersion .plan-band").count() == 1)
        nominal = page.locator("#place-learn .dispersion .plan-band").get_attribute("d")
        see("dispersion-none").click()
        eventually(lambda: see("dispersion-case").inner_text().startswith("Nothing opens: "))
        eventually(lambda: page.locator("#place-learn .dispersion .plan-band").get_attribute("d") != nominal)
        # The forecast above has the interval of what was drawn; a slider that is let go asks anew, and it goes.
        drawn = page.locator('#place-learn .next td[data-drawn="apogee_m"]')
        eventually(lambda: " to " in drawn.inner_text())
        page.locator("#place-learn .next summary").click()
        page.locator('[data-testid="slide-wind_m_s"]').fill("6")
        eventually(lambda: page.locator('#place-learn .next td[data-key="wind_m_s"]').all_inner_texts()[1:] == ["6.0"])
        eventually(lambda: drawn.inner_text() == "")
        page.set_viewport_size({"width": 390, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, "nothing to scroll sideways on a phone"
    finally:
        replay.stop()
