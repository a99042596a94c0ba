"""A page of which a file did not come says what to do, without a script; before that it says nothing of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser.station import ROOT, Process


@pytest.mark.parametrize("motion", ["reduce", "no-preference"])
def test_a_page_without_one_of_its_modules_says_to_reload_it(browser: object, tmp_path: Path, motion: str) -> None:
    station = Process(tmp_path, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(reduced_motion=motion).new_page()
        page.route("**/web/frame/banners.js", lambda route: route.fulfill(status=429))
        page.goto(station.line(r"(http://\S+#shelf=\S+)")[1])
        page.get_by_text("If this stays, see that the station runs and reload the page.").wait_for()
        page.unroute("**/web/frame/banners.js")
        page.reload()
        page.locator('[data-testid="replay-banner"]').wait_for()
        assert not page.locator("#loading").is_visible()
    finally:
        station.stop()
