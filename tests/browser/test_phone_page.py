"""The page's frame on a phone: an alarm lies over its top, and nothing of a place is out of reach below it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.browser.desk import PHONE, PLACES
from tests.browser.station import ROOT, Process, eventually

NAN_S = 25.2  # timeline of the sample: a number has just stopped being one, which is an alarm
SEEK = "(node, at) => { node.value = at; node.dispatchEvent(new Event('input')); }"
FIRST = "() => [...document.querySelectorAll('.place:not([hidden]) .panel')].find((one) => one.checkVisibility())"
TOP_OF_FIRST = f"({FIRST})().getBoundingClientRect().top"
TOP_OF_BANNER = "document.querySelector('[data-testid=replay-banner] p').getBoundingClientRect().top"
CUT_AGES = """[...document.querySelectorAll('.channel-row')].filter((row) => row.scrollWidth > row.clientWidth)
  .map((row) => row.innerText)"""
ALARMS_END = "document.querySelector('.cell.-alarms').getBoundingClientRect().bottom"


@contextmanager
def on_a_phone(browser: object, address: str) -> Iterator[object]:
    """A page as wide as a phone."""
    context = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]})
    page = context.new_page()
    page.goto(address)
    yield page
    context.close()


def test_an_alarm_moves_nothing_and_covers_nothing_for_good(browser: object, tmp_path: Path) -> None:
    sample = ROOT / "replay_samples" / "gusty-bad-number.pcapng"
    replay = Process(tmp_path, "replay", str(sample), "--no-browser", "--http-port", "0")
    with on_a_phone(browser, replay.line(r"Page: (http://\S+)")[1]) as page:
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.locator('[data-testid="place-ready"]').click()
        before = page.evaluate(TOP_OF_FIRST)
        page.locator('[data-testid="replay-scrub"]').evaluate(SEEK, NAN_S)
        eventually(lambda: page.locator(".cell.-alarms").get_attribute("data-tone") != "none")
        eventually(lambda: abs(page.evaluate(TOP_OF_FIRST) - before) < 1, 5)
        page.evaluate("scrollTo(0, 0)")
        assert page.evaluate(TOP_OF_BANNER) >= page.evaluate(ALARMS_END) - 1, "all of it can be scrolled into sight"
        for place in PLACES:
            page.locator(f'[data-testid="place-{place}"]').click()
            eventually(lambda: page.evaluate(TOP_OF_BANNER) >= page.evaluate(ALARMS_END) - 1, 5)
    replay.stop()


def test_who_may_only_watch_has_no_button_that_can_do_nothing(browser: object, tmp_path: Path) -> None:
    demo = Process(tmp_path, "demo", "--no-browser", "--http-port", "0", "--ignite-after", "100000")
    watching = demo.line(r"Page: (http://\S+)")[1]
    operator = demo.line(r"(http://\S+#operator=\S+)")[1]
    with on_a_phone(browser, watching) as page:
        eventually(lambda: page.locator('[data-testid="status-link"]').inner_text() == "Up", 20)
        eventually(lambda: not page.locator('[data-testid="safe-all"]').is_visible())
    with on_a_phone(browser, operator) as page:
        eventually(lambda: page.locator('[data-testid="safe-all"]').is_enabled(), 20)
        assert page.locator('[data-testid="safe-all"]').is_visible()
        page.locator('[data-testid="place-try"]').click()
        page.locator(".channel-age:visible").first.wait_for()
        demo.process.kill()
        eventually(lambda: "unknown now" in page.locator(".channel-age:visible").first.inner_text(), 20)
        assert page.evaluate(CUT_AGES) == [], "an age or a value that is cut"
