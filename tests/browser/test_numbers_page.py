"""No place says a number that is none: at a frame whose state vector is not finite, and before anything is known."""

from __future__ import annotations

import re
from pathlib import Path

from tests.browser.desk import PLACES
from tests.browser.station import ROOT, Process, eventually
from tests.browser.test_units_page import TEXTS, scrubbed, unfolded

NONE = re.compile(r"\b(?:NaN|nan|undefined|null|Infinity|[+\u2212-]?Inf)\b")
BAD_FRAME_S = 25.0  # of the recording: T+5.0 s, where the vehicle sends an attitude that is no number
# What is drawn in letters on canvases, heard from the browser's own pen.
LISTEN = """() => {
  globalThis.penned = new Set();
  const write = CanvasRenderingContext2D.prototype.fillText;
  CanvasRenderingContext2D.prototype.fillText = function (text, ...rest) {
    globalThis.penned.add(String(text));
    return write.call(this, text, ...rest);
  };
}"""


def told(page: object) -> set[str]:
    """Return everything that can be read of the page and of its canvases."""
    texts = {f"{text.strip()} in {where}" for text, where in page.evaluate(TEXTS)}
    return texts | {f"{text} in a canvas" for text in page.evaluate("() => [...globalThis.penned]")}


def test_nothing_reads_as_no_number_at_a_bad_frame(browser: object, tmp_path: Path) -> None:
    sample = ROOT / "replay_samples" / "gusty-bad-number.pcapng"
    station = Process(tmp_path, "replay", str(sample), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.add_init_script(f"({LISTEN})()")
        page.goto(station.line(r"(http://\S+#shelf=\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        found = set()
        for second in (0.0, BAD_FRAME_S - 0.02, BAD_FRAME_S, BAD_FRAME_S + 0.02):
            scrubbed(page, second)
            for place in PLACES:
                page.locator(f'[data-testid="place-{place}"]:visible').first.click()
                unfolded(page)
                found |= {f"{place}: {one}" for one in told(page) if NONE.search(one.rsplit(" in ", 1)[0])}
            for number in range(page.locator("#place-learn [role=tab]").count()):
                tab = page.locator("#place-learn [role=tab]").nth(number)
                if tab.is_visible():
                    tab.click()
                    unfolded(page)
                    found |= {f"learn: {one}" for one in told(page) if NONE.search(one.rsplit(" in ", 1)[0])}
        assert not found, "\n".join(sorted(found))
    finally:
        station.stop()


def test_a_replay_without_an_onboard_log_leaves_the_browsers_console_empty(browser: object, tmp_path: Path) -> None:
    """Seen: 'Failed to load resource: 422' for what is no failure."""
    station = Process(tmp_path, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        said: list[str] = []
        page.on("console", lambda message: said.append(f"{message.type}: {message.text} {message.location}"))
        page.on("pageerror", lambda error: said.append(str(error)))
        asked: list[str] = []
        page.on("response", lambda response: asked.append(response.url))
        page.goto(station.line(r"(http://\S+#shelf=\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        for place in PLACES:
            page.locator(f'[data-testid="place-{place}"]:visible').first.click()
            unfolded(page)
        eventually(lambda: any(url.endswith("/onboard") for url in asked))
        page.wait_for_timeout(300)
        assert not said, "\n".join(said)
    finally:
        station.stop()
