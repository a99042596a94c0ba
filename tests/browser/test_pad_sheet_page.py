"""The pad sheet in a real browser: items turn met by themselves, people tick, others see it; paper, review and replay.

The tests that need the twin on the pad come last, since it and its station run from the first of them to the end.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.desk import LAPTOP, PHONE, Bench, Desk
from tests.browser.station import ROOT, Process, eventually
from tests.server.pad.pad_world import HOSTILE, HOSTILE_KEY

ADVICE = "This sheet advises. The range safety officer decides."
NO_PRINTER = "void (window.print = () => { window.printed = (window.printed ?? 0) + 1; })"


@pytest.fixture(scope="module")
def pad(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A twin on the pad and a station with the Sandpiper's sheet and one hostile item."""
    folder = tmp_path_factory.mktemp("pad")
    sheet = folder / "mine.toml"
    own = (ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml").read_text("utf-8")
    sheet.write_text(f"{own}\n[[group.item]]\n{HOSTILE_KEY}\n", "utf-8")
    with Bench(folder, pad_sheet=sheet) as running:
        yield running


def item(desk: Desk, name: str) -> str:
    """Return the visible words of an item."""
    return " ".join(desk.page.locator(f'[data-item="{name}"]:visible').inner_text().split())


def show_all(desk: Desk) -> None:
    """Unfold the lines that the station looks at; what people tick always stands above."""
    desk.see("pad-fold").click()
    eventually(lambda: desk.page.locator(".pad-groups [data-item]:visible").count() >= 13, 2)


def places(desk: Desk) -> list[tuple[float, float, float, float]]:
    """Return where every item stands."""
    boxes = [one.bounding_box() for one in desk.page.locator("[data-item]:visible").all()]
    return [(box["x"], box["y"], box["width"], box["height"]) for box in boxes]


def cut_off(desk: Desk) -> list[str]:
    """Return what automatic items say and does not fit its line."""
    told = desk.page.locator(".pad-item:not(.-manual) .pad-told:visible").all()
    return [one.inner_text() for one in told if one.evaluate("node => node.scrollWidth > node.clientWidth")]


def ticked(desk: Desk, name: str) -> bool:
    return desk.see(f"pad-tick-{name}").get_attribute("aria-checked") == "true"


def on_paper(page: object, button: str, folder: Path) -> str:
    """Press a print button; return what stands on the paper, which must be one page."""
    page.locator(f'[data-testid="{button}"]:visible').click()
    assert page.evaluate("window.printed") == 1
    page.emulate_media(media="print")
    words = " ".join(page.locator("body").inner_text().split())
    page.pdf(path=folder / "paper.pdf", format="A4", prefer_css_page_size=True)
    page.emulate_media(media="screen")
    assert len(re.findall(rb"/Type\s*/Page\b", (folder / "paper.pdf").read_bytes())) == 1
    return words


def test_a_session_without_a_sheet_says_so(browser: object, tmp_path: Path) -> None:
    replay = Process(tmp_path, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
    page.goto(replay.line(r"Page: (http://\S+)")[1])
    page.locator('[data-testid="learn-numbers"]:visible').click()
    none = page.locator('[data-testid="whole-pad-none"]:visible')
    eventually(lambda: none.count() and none.inner_text() == "No pad sheet was shown in this session.", 15)
    page.locator('[data-testid="place-ready"]').click()
    eventually(lambda: "--pad-sheet FILE" in page.locator('[data-testid="pad-none"]:visible').inner_text())
    replay.stop()
    page.context.close()


def test_a_replay_shows_the_sheet_at_every_moment_and_the_review_as_it_was_at_lift_off(
    browser: object, tmp_path: Path
) -> None:
    arguments = ("--no-browser", "--http-port", "0", "--rate", "10", "--ignite-after", "60", "--quit-when", "landed")
    demo = Process(tmp_path, "demo", *arguments)
    live = Desk(browser, demo.line(r"(http://\S+#operator=\S+)")[1])
    live.see("pad-tick-key-out").click()
    eventually(lambda: ticked(live, "key-out"))
    show_all(live)
    eventually(lambda: "Closed at lift-off" in live.text("pad-says"), 15)
    closed, at_lift_off = live.text("pad-summary"), item(live, "battery")
    assert closed == "15 of 20 stand – 5 for you" and live.see("pad-tick-spectators").is_disabled()
    live.close()
    session = demo.line(r"(\S+\.pcapng)$", 40)[1]
    demo.stop()

    replay = Process(tmp_path, "replay", session, "--no-browser", "--http-port", "0")
    page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
    page.goto(replay.line(r"Page: (http://\S+)")[1])
    page.evaluate(NO_PRINTER)
    page.locator('[data-testid="learn-numbers"]:visible').click()
    summary = page.locator('[data-testid="whole-pad-summary"]:visible')
    eventually(lambda: summary.count() and summary.inner_text() == "At lift-off: 5 open of 20", 15)
    assert " ".join(page.locator('.whole-pad-sheet [data-item="battery"]').inner_text().split()) == at_lift_off
    paper = on_paper(page, "whole-pad-print", tmp_path)
    assert "As it stood at lift-off: 5 open of 20." in paper and Path(session).stem in paper
    page.locator('[data-testid="place-ready"]').click()
    now = page.locator('[data-testid="pad-summary"]:visible')
    key = page.locator('[data-testid="pad-tick-key-out"]:visible')
    page.keyboard.press("Home")
    eventually(lambda: "unknown" in now.inner_text())
    assert key.get_attribute("aria-checked") == "false" and key.is_disabled()
    page.keyboard.press("End")
    eventually(lambda: "landed" in page.locator('[data-testid="pad-says"]:visible').inner_text())
    assert "was ticked by operator 1; cleared: the vehicle has landed" in key.inner_text()
    replay.stop()
    page.context.close()


def test_without_a_vehicle_everything_measured_is_unknown_and_people_can_tick(browser: object, tmp_path: Path) -> None:
    sheet = ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml"
    where = ("--port", "socket://127.0.0.1:9", "--no-browser", "--http-port", "0")
    station = Process(tmp_path, "live", "--pad-sheet", str(sheet), *where)
    desk = Desk(browser, station.line(r"(http://\S+#operator=\S+)")[1], link="No port")
    eventually(lambda: desk.text("pad-summary") == "1 of 20 stand, 13 unknown – 6 for you")
    assert "and 11 more: " in desk.text("pad-more"), "by exception: the first two, and what else by name"
    show_all(desk)
    assert item(desk, "battery") == "? Battery under load unknown no data (at least 7.4 V)" and cut_off(desk) == []
    desk.see("pad-tick-parachutes").click()
    eventually(lambda: ticked(desk, "parachutes"))
    desk.close()
    station.stop()


def test_items_turn_met_people_tick_by_mouse_and_key_and_everybody_sees_it(pad: Bench, browser: object) -> None:
    desk = Desk(browser, pad.links[0])
    show_all(desk)
    before = places(desk)
    assert len(before) == 21 and ADVICE in desk.page.locator(".pad-sheet:visible").inner_text()
    eventually(lambda: re.search(r"met 8\.\d\d V \(at least 7\.4 V\)", item(desk, "battery")), 15)
    eventually(lambda: "met 2 of 2" in item(desk, "recovery-continuity"), 5)
    eventually(lambda: desk.text("pad-summary") == "14 of 21 stand – 7 for you", 10)
    assert places(desk) == before, "nothing moves when an item turns met"
    viewer = Desk(browser, pad.address)
    show_all(viewer)

    desk.see("pad-tick-key-out").click()
    eventually(lambda: ticked(desk, "key-out"))
    eventually(lambda: ticked(viewer, "key-out"))
    assert re.search(r"ticked by operator \d+, \d\d:\d\d", item(viewer, "key-out"))
    desk.see("pad-tick-parachutes").focus()
    desk.page.keyboard.press("Space")
    eventually(lambda: ticked(desk, "parachutes"))
    assert desk.page.evaluate("document.activeElement.dataset.testid") == "pad-tick-parachutes", "the focus stays"
    desk.page.keyboard.press("Tab")
    desk.page.keyboard.press("Enter")
    eventually(lambda: ticked(desk, "spectators"))
    desk.page.keyboard.press("Enter")
    eventually(lambda: not ticked(desk, "spectators"))
    assert "taken back by operator" in item(viewer, "spectators")

    # A number is asked for: without one the field gets the focus, one beyond the bound is kept and is not met.
    desk.see("pad-tick-wind-measured").click()
    assert desk.page.evaluate("document.activeElement.dataset.testid") == "pad-number-wind-measured"
    desk.page.keyboard.type("9.5")
    desk.page.keyboard.press("Enter")
    eventually(lambda: "NOT met: 9.5 m/s" in item(viewer, "wind-measured"))
    # What was measured here goes before the sheet's wind: the line the station looks at is not met either.
    eventually(lambda: desk.text("pad-summary") == "15 of 21 stand, 2 NOT met – 4 for you", 8)
    assert places(desk) == before, "nothing moves when a person ticks"

    # A text of the sheet is text.
    assert HOSTILE in item(viewer, "hostile") and viewer.page.locator(".pad-sheet img, .pad-sheet b > b").count() == 0

    # A viewer watches; a page that is loaded anew finds everything as it was.
    assert viewer.see("pad-tick-key-out").is_disabled() and "this page watches" in viewer.text("pad-says")
    viewer.see("pad-tick-spectators").click(force=True)
    desk.page.reload()
    desk.go("ready")
    eventually(lambda: desk.text("pad-summary") == "15 of 21 stand, 2 NOT met – 4 for you", 15)
    assert ticked(desk, "key-out") and not ticked(desk, "spectators")

    # Clearing asks twice.
    desk.see("pad-afresh").click()
    eventually(lambda: desk.text("pad-afresh") == "Sure? Clear", 2)
    desk.see("pad-afresh").click()
    eventually(lambda: not ticked(viewer, "key-out"))
    assert "was ticked by operator" in item(viewer, "key-out")
    assert "Sheet 2, begun anew: operator" in desk.text("pad-says")

    eventually(lambda: "unknown" not in desk.text("pad-summary"), 8)

    # What was met and is not any more says for how long, here as anywhere.
    desk.do("ground_test", on="enter")
    desk.page.keyboard.press("Escape")  # the dock, which takes room of its own
    desk.go("ready")
    lost = r"Vehicle says for (\d+\.\d|\d\d) s NOT met ground test \(must be pad\)"
    eventually(lambda: re.search(lost, item(viewer, "phase")), 5)
    assert cut_off(viewer) == [] and places(viewer) == before
    desk.do("ground_test", on="leave")
    eventually(lambda: item(viewer, "phase").endswith("Vehicle says met pad (must be pad)"), 8)
    viewer.close()
    desk.close()


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_hands_with_gloves_find_what_they_tick(pad: Bench, browser: object, size: tuple[int, int]) -> None:
    desk = Desk(browser, pad.links[0], size)
    assert desk.page.locator(".pad-groups [data-item]:visible").count() == 0, "the list is asked for"
    show_all(desk)
    eventually(lambda: "unknown" not in desk.text("pad-summary"), 15)
    for button in desk.page.locator(".pad-tick:visible, .pad-acts .act:visible").all():
        box = button.bounding_box()
        assert box["height"] >= 55.9 and box["width"] >= 55.9
        assert button.get_attribute("aria-label") or button.inner_text()
    assert desk.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    eventually(lambda: "counts after" not in desk.page.locator(".pad-sheet:visible").inner_text(), 8)
    assert cut_off(desk) == [], "no value and no bound"
    desk.see("pad-why").click()
    eventually(lambda: "safety device, not this page" in item(desk, "key-out"))
    desk.see("pad-fold").click()
    eventually(lambda: desk.page.locator(".pad-groups [data-item]:visible").count() == 0)
    assert desk.there("pad-summary") and desk.there("pad-tick-key-out")
    desk.close()


def test_on_paper_there_is_the_sheet_and_room_to_sign_and_nothing_else(pad: Bench, browser: object, tmp_path: Path) -> None:
    desk = Desk(browser, pad.links[0])
    desk.page.evaluate(NO_PRINTER)
    show_all(desk)
    eventually(lambda: "met" in item(desk, "battery"))
    words = on_paper(desk.page, "pad-print", tmp_path)
    for part in (
        "Vehicle: Sandpiper",
        "Site: Mossbank Field",
        "Date: 20",
        ADVICE,
        "Flier",
        "Range safety officer",
        HOSTILE,
    ):
        assert part in words
    assert "Safe all" not in words and "Cameras" not in words
    assert desk.there("pad-summary"), "back on the screen everything is there"
    desk.close()


SMALL_LAPTOP = (1280, 720)
INNER = "(() => { const main = document.querySelector('#main'); return main.scrollHeight - main.clientHeight; })()"


def fits(desk: Desk) -> bool:
    return desk.page.evaluate(INNER) <= 0 and desk.page.evaluate("document.documentElement.scrollHeight <= innerHeight")


@pytest.mark.parametrize("size", [LAPTOP, SMALL_LAPTOP])
def test_the_whole_of_ready_is_one_screen_for_gloves_heard_and_silent(
    pad: Bench, browser: object, size: tuple[int, int]
) -> None:
    desk = Desk(browser, pad.links[0], size)
    eventually(lambda: "unknown" not in desk.text("pad-summary"), 15)
    assert fits(desk)
    for testid in ("camera-3-power", "channel-4-state", "recovery-2-state", "board-state", "battery-minutes", "link-loss"):
        box = desk.see(testid).bounding_box()
        assert box["y"] + box["height"] <= size[1] - 20, testid
    small = """() => [...document.querySelectorAll('.place.-ready button, .place.-ready input')]
      .filter((one) => one.checkVisibility() && one.getClientRects().length && !one.matches('.pad-more'))
      .map((one) => [one.textContent, Math.round(one.getBoundingClientRect().width), one.offsetHeight])
      .filter(([, width, height]) => width < 56 || height < 56)"""
    assert desk.page.evaluate(small) == [], "56 px for gloves"
    eventually(lambda: re.fullmatch(r"\d+ m/s", desk.text("rail-speed")), 8)
    assert "by the site's sheet" in desk.text("rail-source") and desk.text("rail-lean").endswith("\u00b0")

    # A camera that is off offers no recording.
    record = desk.see("camera-1-record")
    assert record.inner_text() == "Switch it on first" and not record.is_enabled()
    desk.see("camera-1-power").click()
    eventually(lambda: desk.text("camera-1-state") == "On", 30)
    eventually(lambda: desk.see("camera-1-record").inner_text() == "Record" and desk.see("camera-1-record").is_enabled(), 5)
    eventually(lambda: "camera 1 costs" in (desk.page.locator(".gauge").get_attribute("aria-label") or ""), 5)
    desk.see("camera-1-power").click()
    eventually(lambda: desk.text("camera-1-state") == "Off", 30)

    # The wind measured here is what the rail is foretold with.
    desk.see("pad-number-wind-measured").fill("6.6")
    desk.see("pad-tick-wind-measured").click()
    eventually(lambda: "measured at the pad, 6.6 m/s, entered at" in desk.text("rail-source"), 8)
    desk.see("pad-tick-wind-measured").click()
    eventually(lambda: "by the site's sheet" in desk.text("rail-source"), 8)

    camera = desk.see("camera-1-power").bounding_box()
    pad.relay.unplug()
    try:
        eventually(lambda: "Unknown" in desk.text("channel-4-state"), 15)
        eventually(lambda: "unknown" in desk.text("pad-summary"), 15)
        assert fits(desk), "also when nothing is known"
        assert desk.see("camera-1-power").bounding_box() == camera, "nothing moved under a hand"
        assert desk.see("camera-1-record").inner_text() == "Not heard"
    finally:
        pad.relay.plug()
        eventually(lambda: desk.text("status-link") == "Up", 20)
    desk.close()


def test_after_safe_all_a_line_that_holds_again_is_not_said_to_be_not_met(pad: Bench, browser: object) -> None:
    desk = Desk(browser, pad.links[0])
    desk.do("board_release")
    desk.page.keyboard.press("Escape")
    eventually(lambda: "NOT met no (must be yes)" in item(desk, "board"), 10)
    desk.page.evaluate("""() => {
      window.said = [];
      new MutationObserver(() => {
        const line = [...document.querySelectorAll('[data-item="board"]')].find((one) => one.checkVisibility());
        if (line) window.said.push(line.innerText.replace(/\\s+/g, " "));
      }).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true });
    }""")
    desk.see("safe-all").click()
    eventually(lambda: desk.page.locator('[data-item="board"]:visible').count() == 0, 12)
    said = desk.page.evaluate("window.said")
    assert any("met now, counts after 2 s: yes" in line for line in said)
    assert not [line for line in said if "NOT met yes" in line]
    desk.close()
