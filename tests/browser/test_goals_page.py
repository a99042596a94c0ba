"""What a flight is for: shown at Ready, judged on the live page once it has landed, kept for comparing flights."""

from __future__ import annotations

from pathlib import Path

from tests.browser.desk import Bench
from tests.browser.station import Process, eventually

CAME_DOWN_S = 90.0


def test_goals_stand_at_ready_are_judged_after_the_landing_and_compared(browser: object, tmp_path: Path) -> None:
    with Bench(tmp_path, rate=5, ignite_s=60) as bench:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.goto(bench.links[0])
        eventually(lambda: page.get_by_test_id("status-link").inner_text() == "Up")
        page.get_by_test_id("place-watch").click()
        line = page.locator(".flown-goals").get_by_test_id("goals-line")
        assert not line.is_visible(), "nothing is judged before it has landed"
        page.get_by_test_id("place-ready").click()
        purpose = page.get_by_test_id("pad-purpose")
        eventually(lambda: purpose.inner_text().startswith("This flight is for: Control enabled for at least 2 s \u00b7 "))
        page.get_by_test_id("ready-more").click()
        card = page.get_by_test_id("goals-card")
        eventually(lambda: "Control enabled for at least 2 s" in card.inner_text())
        assert "tail fins of 2 mm plywood" in page.get_by_test_id("goals-on-trial").inner_text()
        page.get_by_test_id("place-watch").click()
        landed = page.get_by_test_id("guide-landed")
        landed.wait_for(timeout=CAME_DOWN_S * 1000)
        eventually(lambda: "Goals: 3 met, 1 not met." in landed.inner_text())
        eventually(lambda: "3 met, 1 not met" in line.inner_text())
        told = line.inner_text()
        line.click()
        assert "before it had landed" in page.locator(".flown-goals").inner_text(), "the camera was never switched on"
    (recording,) = (tmp_path / "home" / "sessions").glob("*.pcapng")
    station = Process(tmp_path / "home", "replay", str(recording), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.goto(station.line(r"(http://\S+#shelf=\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        learnt = page.locator(".panel.goals").get_by_test_id("goals-line")
        eventually(lambda: learnt.inner_text() == told)
        page.get_by_test_id("learn-compare").click()
        page.get_by_test_id("shelf-open").click()
        for name in (recording.stem, "calm"):
            page.get_by_test_id(f"compare-{name}").check()
        page.get_by_test_id("compare").click()
        rows = page.get_by_test_id("compare-goals")
        rows.wait_for()
        assert "Camera 2 recorded to landing" in rows.inner_text() and "not met" in rows.inner_text()
        assert rows.inner_text().count("no such goal") == 4
    finally:
        station.stop()
