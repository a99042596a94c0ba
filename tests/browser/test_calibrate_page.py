"""A calibration on the page with real parts: twin process, station process, Chromium; steps, numbers, both files saved."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.station import Process, eventually, page_of

FASTER = 15  # the twin's time; a gyro wants a minute at rest


@pytest.fixture
def operators_link(tmp_path: Path) -> Iterator[str]:
    """A twin that stays on the pad, a station on it; gives the operator's link."""
    home = tmp_path / "home"
    twin = Process(home, "twin", "--listen", "socket://127.0.0.1:0", "--rate", str(FASTER), "--ignite-after", "100000")
    port = twin.line(r"(socket://\S+)")[1]
    station = Process(home, "live", "--port", port, "--no-browser", "--http-port", "0")
    yield station.line(r"(http://\S+#operator=\S+)")[1]
    station.stop()
    twin.stop()


def test_a_gyro_is_calibrated_step_by_step_and_saved(browser: object, operators_link: str) -> None:
    with page_of(browser) as page:
        page.goto(operators_link)
        page.get_by_role("button", name="Try").click()
        see = page.get_by_test_id
        eventually(lambda: see("calibrate-begin").is_visible())
        see("calibrate-what").select_option("barometer")
        eventually(lambda: see("calibrate-heights").is_visible() and see("calibrate-begin").is_disabled())
        see("calibrate-what").select_option("gyro")
        see("calibrate-serial").fill("SN-12")
        see("calibrate-begin").click()
        eventually(lambda: "Hold still" in see("calibrate-do").inner_text(), 20.0)
        assert "Gyro bias at rest, unit a (SN-12): running" in see("calibrate-said").inner_text()
        eventually(lambda: see("calibrate-result").is_visible(), 60.0)
        assert "bias x" in see("calibrate-result").inner_text()
        for testid, name in (("calibrate-toml", "calibration.toml"), ("calibrate-header", "calibration.h")):
            with page.expect_download() as saved:
                see(testid).click()
            assert saved.value.suggested_filename == name
            text = Path(saved.value.path()).read_text()
            assert "SN-12" in text
            if name.endswith("toml"):
                assert len(tomllib.loads(text)["calibration"]["gyro_a"]["bias"]) == 3
