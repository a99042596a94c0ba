"""Watch at two meters: type sizes in pixels, nothing cut, one screen, and nothing untrue after the top.

In a replay, which has less room than a live flight.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import product
from pathlib import Path

import pytest

from tests.browser.desk import LAPTOP, PHONE
from tests.browser.station import ROOT, Process, eventually

SMALL, LARGE = (1280, 720), (1920, 1080)
LEAST_PX, LINE_PX = 57, 40  # 16 minutes of arc at 2 m on a 14-inch screen of 1366 x 768; and the worst thing's line
MOMENTS_S = (10, 21.0, 24.5, 28.8, 40, 88)  # of the calm flight: pad, boost, control, top, under chutes, landed
DECIDING = ("now-time", "now-height", "now-climb", "now-top")
SIZE = "(one) => parseFloat(getComputedStyle(one).fontSize)"
READOUTS = ".now-line, .now-note, .now-label, .chute-words, .worst-words, .readout .line, .readout .most"
CUT = f"""() => [...document.querySelectorAll("{READOUTS}")]
  .filter((one) => one.offsetParent && one.scrollWidth > one.clientWidth).map((one) => one.innerText)"""
TALL = """() => [...document.querySelectorAll(".now .panel-body, .worst .panel-body")]
  .filter((one) => one.scrollHeight > one.clientHeight).map((one) => one.innerText)"""
BELOW = """() => [...document.querySelectorAll(".now, .profile, .scope, .watch-plan, .phases, .watch-strips, .worst")]
  .filter((one) => one.getBoundingClientRect().bottom > document.querySelector("main").getBoundingClientRect().bottom)
  .map((one) => one.className)"""
# How many points of the scope are the color of a warning.
RED = """() => {
  const canvas = document.querySelector("#place-watch .scope-drawing");
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  let count = 0;
  for (let i = 0; i < data.length; i += 4) if (data[i] > 150 && data[i + 1] < 40 && data[i + 2] < 40) count++;
  return count;
}"""
# Whether the marker's tip lies above (-1) or under (1) the middle of the rest of it.
TIP = """(selector) => {
  const d = document.querySelector(selector).getAttribute("d");
  const heights = [...d.matchAll(/[ML]\\s*-?[\\d.]+[ ,](-?[\\d.]+)/g)].map(([, y]) => Number(y));
  return Math.sign(heights[0] - heights.slice(1).reduce((sum, y) => sum + y) / (heights.length - 1));
}"""


@contextmanager
def replay_of(folder: Path, sample: str) -> Iterator[str]:
    """Give the address of a replay of a sample."""
    path = ROOT / "replay_samples" / f"{sample}.pcapng"
    station = Process(folder, "replay", str(path), "--no-browser", "--http-port", "0")
    try:
        yield station.line(r"Page: (http://\S+)")[1]
    finally:
        station.stop()


@pytest.fixture(scope="module")
def calm_address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with replay_of(tmp_path_factory.mktemp("calm"), "calm") as address:
        yield address


@pytest.fixture
def calm(browser: object, calm_address: str) -> Iterator[Replayed]:
    with Replayed(browser, calm_address) as replayed:
        yield replayed


class Replayed:
    """A sample opened in a browser, on Watch."""

    def __init__(self, browser: object, address: str) -> None:
        self._browser = browser
        self.address = address
        self.problems: list[str] = []

    def __enter__(self) -> Replayed:
        return self

    def __exit__(self, *problem: object) -> None:
        if problem[0] is None:
            assert self.problems == []

    def look(self, size: tuple[int, int] = LAPTOP) -> object:
        context = self._browser.new_context(viewport={"width": size[0], "height": size[1]}, reduced_motion="reduce")
        page = context.new_page()
        page.on("pageerror", lambda error: self.problems.append(str(error)))
        page.goto(self.address)
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.locator('[data-testid="place-watch"]').click()
        return page


def seek(page: object, t_s: float) -> None:
    """Go to a moment of the recording and let the pictures come after."""
    bar = "const bar = document.querySelector('[data-testid=replay-scrub]')"
    page.evaluate(f"() => {{ {bar}; bar.value = {t_s}; bar.dispatchEvent(new Event('input')); }}")
    page.wait_for_timeout(700)


def test_what_decides_is_large_whole_and_on_the_first_screen(calm: Replayed) -> None:
    page = calm.look(LAPTOP)
    for size, t_s in product((LAPTOP, SMALL, LARGE), MOMENTS_S):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        seek(page, t_s)
        sizes = {name: page.locator(f'[data-testid="{name}"]').evaluate(SIZE) for name in DECIDING}
        assert min(sizes.values()) >= LEAST_PX, sizes
        worst = page.locator('[data-testid="worst"]')
        assert worst.evaluate(SIZE) >= LINE_PX, worst.inner_text()
        assert page.evaluate(CUT) == [] and page.evaluate(TALL) == [], t_s
        assert page.evaluate(BELOW) == [], t_s
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert min(sizes.values()) > 1.25 * LEAST_PX, "it does not grow with the window"  # which is LARGE by now


def test_on_a_phone_nothing_is_cut(calm: Replayed) -> None:
    page = calm.look(PHONE)
    for t_s in MOMENTS_S:
        seek(page, t_s)
        assert page.evaluate(CUT) == [], t_s
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


def test_after_the_top_markers_point_down_and_what_landed_is_not_red(calm: Replayed) -> None:
    page = calm.look()
    seek(page, 24.5)
    assert page.evaluate(TIP, "#place-watch .climb-drawing .vehicle") == -1
    assert page.evaluate(TIP, "#place-watch .profile-now") == -1
    seek(page, 40)
    assert page.evaluate(TIP, "#place-watch .climb-drawing .vehicle") == 1
    assert page.evaluate(TIP, "#place-watch .profile-now") == 1
    seek(page, 88)
    words = page.locator("#place-watch .scope-words").inner_text()
    assert re.match(r"(8\d|9\d)\.\d", words), f"it does not lie on its side: {words}"
    assert page.evaluate(RED) == 0 and "past" not in words
    assert page.locator("#place-watch .climb-drawing .vehicle").get_attribute("data-moving") == "rest"


def test_the_worst_line_says_what_is_worst_and_after_landing_the_way_is_a_button(browser: object, tmp_path: Path) -> None:
    with replay_of(tmp_path, "gusty-bad-number") as address, Replayed(browser, address) as gusty:
        page = gusty.look()

        def said() -> tuple[str, str | None]:
            line = page.locator('[data-testid="worst"]')
            return line.inner_text(), line.locator("xpath=..").get_attribute("data-tone")

        seek(page, 10)
        assert said()[0].startswith("On the ground, heard") and said()[1] == "none"
        seek(page, 23.4)
        assert said() == ("Coasting, nose 56\u00b0 from vertical", "caution")
        assert page.evaluate(RED) > 0
        seek(page, 26.3)
        words, tone = said()
        assert words.startswith("State vector not finite") and tone == "warning"
        assert page.locator('[data-testid="walk"]:visible').count() == 0
        bar = page.locator('[data-testid="replay-scrub"]')
        seek(page, float(bar.get_attribute("max")))
        assert page.locator("#place-watch").is_visible(), "the page went somewhere by itself"
        page.locator('[data-testid="walk"]:visible').click()
        eventually(lambda: page.locator("#place-find").is_visible())


def test_the_pictures_say_the_same_in_words(calm: Replayed) -> None:
    page = calm.look()
    seek(page, 24.5)
    page.wait_for_timeout(600)

    def told(selector: str) -> str:
        return page.locator(f"#place-watch {selector}").get_attribute("aria-label") or ""

    assert re.match(
        r"Side view\. Now 21\d m up, \d+ m toward 2\d\d degrees, climbing\. The top is", told(".profile-drawing")
    )
    assert told(".phase-drawing").startswith("Boost from T+0.0 s, coast from T+1.4 s, control T+2.2 on")
    page.locator("#place-watch .attitude-drawing").scroll_into_view_if_needed()  # below the first screen it rests
    eventually(lambda: re.match(r"Attitude in space\. Nose \d+. from vertical to W", told(".attitude-drawing")))
