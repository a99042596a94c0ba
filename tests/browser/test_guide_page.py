"""For whoever is new: what the demonstration does next, the way after a landing, and the keys."""

from __future__ import annotations

import re
from pathlib import Path

from tests.browser.station import Process, eventually


def test_the_demonstration_says_what_comes_and_the_keys_lead_around(browser: object, tmp_path: Path) -> None:
    demo = Process(
        tmp_path, "demo", "--no-browser", "--http-port", "0", "--rate", "8", "--ignite-after", "120", "--scenario", "calm"
    )
    page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
    page.goto(demo.line(r"(http://\S+#operator=\S+)")[1])

    def seen(testid: str) -> str:
        found = page.locator(f'[data-testid="{testid}"]:visible')
        return found.first.inner_text() if found.count() else ""

    def place() -> str:
        return page.evaluate("document.body.dataset.place")

    eventually(lambda: "the simulated motor lights by itself in" in seen("guide-what"), 20)
    for key, name in enumerate(("try", "ready", "watch", "find", "learn"), start=1):
        page.keyboard.press(str(key))
        assert place() == name
    page.keyboard.press("2")
    eventually(lambda: page.locator('[data-testid="count-seconds"]:visible').count(), 10)
    page.locator('[data-testid="count-seconds"]:visible').fill("")
    page.locator('[data-testid="count-seconds"]:visible').type("345")
    assert place() == "ready", "typing in a field is no command"
    page.locator('[data-testid="count-seconds"]:visible').blur()
    page.keyboard.press("?")
    assert "Safe all" in page.locator("#keys:visible").inner_text()
    page.keyboard.press("Escape")
    assert page.locator("#keys:visible").count() == 0
    page.locator('[data-testid="guide-what"]').click()
    assert page.locator(".step:visible").count() == 5
    page.keyboard.press("3")
    eventually(lambda: "It has landed" in page.locator('[data-testid="guide-landed"]').inner_text(), 60)
    assert place() == "watch", "the page never jumps by itself"
    assert not seen("guide-what")
    page.locator('[data-testid="guide-find"]').click()
    assert place() == "find"
    # Learn shows what has just flown while it is still being recorded, and not an empty place.
    page.locator('[data-testid="guide-learn"]').click()
    eventually(lambda: re.match(r"So far, no findings. It reached 2\d\d m.", seen("verdict")), 10)
    eventually(lambda: page.locator("#place-learn .whole .strip:visible").count() >= 3, 10)
    assert page.locator("#place-learn .story:visible, #place-learn .beside:visible").count() >= 2
    page.set_viewport_size({"width": 390, "height": 844})
    cut = "[...document.querySelectorAll('.guide .act')].filter((b) => b.scrollWidth > b.clientWidth).length"
    assert page.locator('[data-testid="guide-learn"]').is_visible() and page.evaluate(cut) == 0, "words cut on a phone"
    page.locator('[data-testid="guide-done"]').click()
    assert not seen("guide-landed")
    demo.stop()
