"""At home, in a real browser: find a session, note it, compare two, bring in the vehicle's own log, save the report."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.browser.station import ROOT, Process, eventually
from tests.protocol.foreign.foreign_helpers import PLOVER
from tests.server.flights import recorded
from tests.server.shelf.test_onboard_alignment import logged
from tests.server.shelf.test_onboard_card import chunks_of, session

OFFSET_S, DRIFT = 41.25, 6e-5

# Counts the frames the page asks the browser for; READ_STILL tells how many, and how often its clock ticked meanwhile.
COUNT_FRAMES = """window.framesAsked = 0;
const ask = window.requestAnimationFrame.bind(window);
window.requestAnimationFrame = (turn) => { window.framesAsked++; return ask(turn); };"""
READ_STILL = """() => new Promise((done) => {
  const before = window.framesAsked;
  let ticks = 0;
  const watch = setInterval(() => {
    if (++ticks < 6) return;
    clearInterval(watch);
    done({ ticks, frames: window.framesAsked - before });
  }, 250);
})"""


def opened(browser: object, home: Path, session: Path) -> tuple[Process, object]:
    """Start a replay and return it with its page, opened by the longer link."""
    replay = Process(home, "replay", str(session), "--no-browser", "--http-port", "0")
    link = replay.line(r"(http://\S+#shelf=\S+)")[1]
    page = browser.new_context(viewport={"width": 1366, "height": 768}, accept_downloads=True).new_page()
    page.goto(link)
    page.locator('[data-testid="replay-banner"]').wait_for()
    page.locator('[data-testid="place-learn"]').click()
    return replay, page


def test_a_card_in_two_files_comes_home(browser: object, tmp_path: Path) -> None:
    data = b"".join(chunk for _, chunk in chunks_of(PLOVER))
    card = session(tmp_path / "sessions", PLOVER).session.path
    files = [tmp_path / "card-10.bin", tmp_path / "card-9.bin"]  # the ninth was written first
    for file, part in zip(files, (data[len(data) // 2 :], data[: len(data) // 2]), strict=True):
        file.write_bytes(part)
    (tmp_path / "strange.bin").write_bytes(bytes(range(256)) * 20)
    replay, page = opened(browser, tmp_path, card)
    try:
        see = lambda testid: page.locator(f'[data-testid="{testid}"]').first  # noqa: E731
        see("learn-files").click()
        see("onboard-file").set_input_files([str(file) for file in files])
        eventually(lambda: "Recording time is" in see("onboard-says").inner_text(), 20)
        assert "pressure: " in see("onboard-says").inner_text() and "not heard" in see("onboard-says").inner_text()
        assert page.locator(".onboard .overlay-drawing").count() >= 1
        see("onboard-file").set_input_files(str(tmp_path / "strange.bin"))
        told = "strange.bin holds no packet of Plover, and no line of column names."
        eventually(lambda: told in see("notice").inner_text(), 20)
    finally:
        replay.stop()


def test_a_log_a_note_a_comparison_and_a_report(browser: object, tmp_path: Path) -> None:
    flight, text = logged("calm", 3, OFFSET_S, DRIFT)
    (tmp_path / "sessions").mkdir()
    session = recorded(tmp_path / "sessions", flight, "maiden")
    (tmp_path / "card.csv").write_text(text)
    replay, page = opened(browser, tmp_path, session)
    see = lambda testid: page.locator(f'[data-testid="{testid}"]').first  # noqa: E731
    try:
        # The vehicle's own log: its clock found again, to 10 ms.
        see("learn-files").click()
        see("onboard-file").set_input_files(str(tmp_path / "card.csv"))
        assert see("log-role-accel_z [g]").input_value() == "accel.a.z", "guessed from the column's name"
        see("log-bring").click()
        eventually(lambda: "Recording time is" in see("onboard-says").inner_text(), 20)
        told = page.evaluate("fetch('/api/sessions/maiden/onboard').then((answer) => answer.json())")["alignment"]
        apogee = flight.truth["apogee_s"]
        log_time = (apogee - OFFSET_S) / (1.0 + DRIFT)
        assert told["offset_s"] + (1.0 + told["drift"]) * log_time == pytest.approx(apogee, abs=0.010)
        assert page.locator(".onboard .overlay-drawing").count() >= 3

        # Label and notes stay with the session; search finds them.
        see("shelf-open").click()
        see("session-more-maiden").click()
        see("label-maiden").fill("Maiden flight <b>")
        see("notes-maiden").fill("wind from the west")
        see("save-maiden").click()
        eventually(lambda: "Maiden flight <b>" in page.locator(".sessions").inner_text())
        see("shelf-search").fill("west maiden")
        eventually(lambda: page.locator(".sessions .session-what").count() == 1)
        see("shelf-search").fill("")

        # Two flights side by side.
        see("compare-maiden").check()
        see("compare-thin-link").check()
        see("compare").click()
        eventually(lambda: page.locator('[data-testid="comparison"] .multiple').count() >= 6, 20)
        assert "thin-link differs most from maiden in " in see("compare-says").inner_text()

        # Aligned at another moment, and each at one of its own.
        assert see("compare-at").input_value() == "lift_off" and not see("compare-own").is_visible()
        see("compare-at").select_option("apogee")
        eventually(lambda: see("comparison").get_attribute("data-at") == "apogee,apogee", 20)
        see("compare-at").select_option("each")
        see("compare-at-1").select_option("burnout")
        eventually(lambda: see("comparison").get_attribute("data-at") == "apogee,burnout", 20)
        assert see("compare-at").input_value() == "each" and see("compare-at-0").input_value() == "apogee"

        # The report opens with the network off.
        see("shelf-open").click()
        if not see("report-maiden").is_visible():
            see("session-more-maiden").click()
        with page.expect_download() as saving:
            see("report-maiden").click()
        report = tmp_path / "report.html"
        saving.value.save_as(report)
        offline = browser.new_context(offline=True).new_page()
        asked: list[str] = []
        offline.on("request", lambda request: asked.append(request.url))
        offline.goto(report.as_uri())
        assert "Maiden flight <b>" in offline.locator("body").inner_text() and offline.locator("svg").count() >= 4
        assert all(url.startswith("file:") for url in asked)
        offline.context.close()

        # Into the trash and back: two presses, and nothing lost.
        see("trash-maiden").click()
        see("trash-maiden").click()
        eventually(lambda: page.locator('[data-testid="session-open-maiden"]').count() == 0)
        page.locator(".trash summary").click()
        see("restore-maiden").click()
        eventually(lambda: page.locator('[data-testid="session-open-maiden"]').count() == 1)
    finally:
        page.context.close()
        replay.stop()


def test_without_the_longer_link_nothing_can_be_changed(browser: object, tmp_path: Path) -> None:
    replay = Process(tmp_path, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    address = re.sub(r"#.*", "", replay.line(r"(http://\S+)")[1])
    page = browser.new_page()
    try:
        page.goto(address)
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.locator('[data-testid="place-learn"]').click()
        page.locator('[data-testid="shelf-open"]').click()
        page.locator('[data-testid="session-more-calm"]').click()
        assert page.locator('[data-testid="save-calm"]').count() == 0
        assert page.locator('[data-testid="report-calm"]').is_visible()
        status = page.evaluate("fetch('/api/sessions/calm', { method: 'DELETE' }).then((answer) => answer.status)")
        assert status == 401
    finally:
        page.close()
        replay.stop()


def test_column_scope_cameras_and_channels_follow_the_cursor_beside_the_strips(browser: object, tmp_path: Path) -> None:
    replay = Process(tmp_path, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.add_init_script(COUNT_FRAMES)
        page.goto(replay.line(r"Page: (http://\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.locator('[data-testid="place-learn"]').click()
        panel = page.locator("#place-learn .beside")
        slider = page.locator(".replay-bar input[type=range]").first

        def at(share: float, shown: str) -> str:
            page.locator(f'[data-testid="beside-{shown}"]').click()
            move = "(e, share) => { e.value = e.max * share; e.dispatchEvent(new Event('input', {bubbles: true})); }"
            slider.evaluate(move, share)
            page.wait_for_timeout(150)
            return panel.inner_text()

        page.locator('[data-testid="beside-states"]').click()
        eventually(lambda: "Camera 1, tail" in panel.inner_text())
        before, under, down = (at(share, "states") for share in (0.1, 0.4, 0.99))
        words = [re.search(r"Recovery 1, nose chute\s+(.*)", text)[1] for text in (before, under, down)]
        assert words == ["safe", "fired", "fired"]
        before, down = at(0.1, "cursor"), at(0.99, "cursor")
        tilt = [float(re.search(r"([\d.]+)\u00b0 from vertical", text)[1]) for text in (before, down)]
        assert tilt[0] < 5 and tilt[1] > 80
        assert "Apogee" not in before and "Apogee" in down
        box, strips = panel.bounding_box(), page.locator("#place-learn .whole").bounding_box()
        assert box["y"] < strips["y"] + strips["height"] and strips["y"] < box["y"] + box["height"], "side by side"
        still = page.evaluate(READ_STILL)
        # One for each of its own ticks, and a few for what has just come; a page that never rests asks for fifteen.
        assert still["frames"] <= 4 * still["ticks"], "a page on which nothing changes rests"
    finally:
        replay.stop()
