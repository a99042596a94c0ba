"""What the page asks of the browser's voice: live within 0.3 s of the entry, in a replay with a word that says so."""

from __future__ import annotations

import json

from tests.browser.desk import LAPTOP, Bench
from tests.browser.station import BUSY, eventually

# Headless Chromium has no voice. This one keeps what it was asked for and when, beside when each entry reached the page.
VOICE = """
globalThis.asked = [];
globalThis.came = [];
const speak = (utterance) => { asked.push([performance.now(), utterance.text]); setTimeout(() => utterance.onend?.(), 50); };
Object.defineProperty(globalThis, "speechSynthesis", { value: {
  getVoices: () => [{ name: "local", lang: "en-US", localService: true }], speak, cancel() {},
} });
globalThis.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
globalThis.WebSocket = class extends WebSocket {
  constructor(...given) {
    super(...given);
    this.addEventListener("message", ({ data }) => came.push([performance.now(), data]));
  }
};
"""
ASKED_WITHIN_S = 0.3


def page_with_voice(browser: object, address: str) -> object:
    """Return a page whose voice is kept."""
    page = browser.new_context(viewport={"width": LAPTOP[0], "height": LAPTOP[1]}).new_page()
    page.add_init_script(VOICE)
    page.goto(address)
    return page


def words(page: object) -> list[str]:
    """Return what the voice was asked for."""
    return [text for _, text in page.evaluate("asked")]


def came_at(page: object, key: str) -> float:
    """Return when (ms) an alarm of that key first reached the page."""
    for at, data in page.evaluate("came"):
        for entry in json.loads(data).get("journal", []):
            if entry["topic"] == "alarm" and entry["key"] == key and entry["body"]["state"] == "raised":
                return at
    raise AssertionError("no such entry came")


def test_live_a_lost_link_is_called_as_its_entry_comes_and_muting_holds(bench: Bench, browser: object) -> None:
    page = page_with_voice(browser, bench.address)
    try:
        eventually(lambda: page.title().startswith("Pad"), 20)
        bench.relay.unplug()
        eventually(lambda: "warning: link lost" in words(page), 20)
        spoken = next(at for at, text in page.evaluate("asked") if text == "warning: link lost")
        late_s = (spoken - came_at(page, "link lost")) / 1000
        print(f"asked for {late_s:.3f} s after its entry came")
        assert 0 <= late_s < ASKED_WITHIN_S * BUSY, "on a machine of its own within 0.3 s"
        eventually(lambda: page.title().startswith("Silent"), 20)
        bench.relay.plug()
        eventually(lambda: "the vehicle is heard" in words(page), 20)

        page.keyboard.press("m")
        assert page.get_by_test_id("sound").inner_text() == "Sound off"
        count = len(words(page))
        bench.relay.unplug()
        eventually(lambda: page.title().startswith("Silent"), 20)
        bench.relay.plug()
        eventually(lambda: page.title().startswith("Pad"), 20)
        assert len(words(page)) == count
        page.reload()
        eventually(lambda: page.title().startswith("Pad"), 20)
        assert page.get_by_test_id("sound").inner_text() == "Sound off", "remembered"
    finally:
        bench.relay.plug()
        page.close()


def test_the_sound_test_and_a_replay_which_says_that_it_is_one(bench: Bench, browser: object) -> None:
    page = page_with_voice(browser, bench.address)
    page.get_by_test_id("place-learn").click()
    page.get_by_test_id("session-open-calm").click()
    page.get_by_test_id("replay-banner").wait_for()
    assert page.title().startswith("Replay")
    page.keyboard.press("l")  # from 3 s before lift-off, at its own speed
    eventually(lambda: len(words(page)) >= 3, 20)
    page.keyboard.press("k")
    heard = words(page)
    assert heard[:3] == ["replay: lift-off", "replay: 64 up, thrust is over", "replay: control is on"], heard
    count = len(heard)
    page.keyboard.press("End")
    page.wait_for_timeout(500)
    assert len(words(page)) == count, "a cursor moved by hand calls nothing"
    page.close()
