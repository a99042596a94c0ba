"""The station's program dies under the page: the page says so, since when, and comes back by itself when it does."""

from __future__ import annotations

import re
import time
from datetime import datetime
from pathlib import Path

from tests.browser.station import Process, eventually, page_of


def test_a_page_says_since_when_the_station_is_gone(tmp_path: Path, browser: object) -> None:
    twin = Process(tmp_path, "twin", "--listen", "socket://127.0.0.1:0", "--ignite-after", "100000")
    port = twin.line(r"(socket://\S+)")[1]
    station = Process(tmp_path, "live", "--port", port, "--no-browser", "--http-port", "0")
    link = station.line(r"(http://127\.0\.0\.1:(\d+)/#operator=\S+)")
    with page_of(browser) as page:

        def see(testid: str) -> object:
            return page.locator(f'[data-testid="{testid}"]:visible').first

        page.goto(link[1])
        see("place-ready").click()
        eventually(lambda: see("status-link").inner_text() == "Up", 20)
        assert not page.locator('[data-testid="banner-silent"]').is_visible()
        page.evaluate("window.notReloaded = true")

        killed = datetime.now()
        station.process.kill()
        station.stop()
        eventually(lambda: page.locator('[data-testid="banner-silent"]').is_visible(), 15)
        said = see("banner-silent").inner_text()
        since = re.search(r"STATION SILENT since (\d\d):(\d\d):(\d\d), for 0:0\d\. Nothing below is current", said)
        assert since, said
        told_s = 3600 * int(since[1]) + 60 * int(since[2]) + int(since[3])
        apart = (told_s - (3600 * killed.hour + 60 * killed.minute + killed.second)) % 86400
        assert apart < 15 or apart > 86400 - 3, "the time of the last thing heard, give or take a slow machine"
        assert see("camera-1-power").is_disabled()
        time.sleep(1.2)
        assert see("banner-silent").inner_text() != said, "it counts on"

        again = Process(tmp_path, "live", "--port", port, "--no-browser", "--http-port", link[2])
        again.line(r"(http://127\.0\.0\.1:\d+/#operator=\S+)")
        eventually(lambda: not page.locator('[data-testid="banner-silent"]').is_visible(), 30)
        eventually(lambda: see("status-link").inner_text() == "Up", 20)
        assert page.evaluate("window.notReloaded")
    again.stop()
    twin.stop()
