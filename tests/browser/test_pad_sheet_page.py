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
    eventually(lambda: "Closed at lift-off" in live.text("pad-says"), 15)
    closed, at_lift_off = live.text("pad-summary"), item(live, "battery")
    assert closed == "3 open of 17" and live.see("pad-tick-spectators").is_disabled()
    live.close()
    session = demo.line(r"(\S+\.pcapng)$", 40)[1]
    demo.stop()

    replay = Process(tmp_path, "replay", session, "--no-browser", "--http-port", "0")
    page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
    page.goto(replay.line(r"Page: (http://\S+)")[1])
    page.evaluate(NO_PRINTER)
    summary = page.locator('[data-testid="whole-pad-summary"]:visible')
    eventually(lambda: summary.count() and summary.inner_text() == f"At lift-off: {closed}", 15)
    assert " ".join(page.locator('.whole-pad-sheet [data-item="battery"]').inner_text().split()) == at_lift_off
    paper = on_paper(page, "whole-pad-print", tmp_path)
    assert f"As it stood at lift-off: {closed}." in paper and Path(session).stem in paper
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
    eventually(lambda: desk.text("pad-summary") == "12 unknown, 4 open of 17")
    assert item(desk, "battery") == "? Battery under load unknown no data (at least 7.4 V)" and cut_off(desk) == []
    desk.see("pad-tick-parachutes").click()
    eventually(lambda: ticked(desk, "parachutes"))
    desk.close()
    station.stop()


def test_items_turn_met_people_tick_by_mouse_and_key_and_everybody_sees_it(pad: Bench, browser: object) -> None:
    desk = Desk(browser, pad.links[0])
    before = places(desk)
    assert len(before) == 18 and ADVICE in desk.page.locator(".pad-sheet:visible").inner_text()
    eventually(lambda: re.search(r"met 8\.\d\d V \(at least 7\.4 V\)", item(desk, "battery")), 15)
    eventually(lambda: "met 2 of 2" in item(desk, "recovery-continuity"), 5)
    eventually(lambda: desk.text("pad-summary") == "5 open of 18", 10)
    assert places(desk) == before, "nothing moves when an item turns met"
    viewer = Desk(browser, pad.address)

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
    assert desk.text("pad-summary") == "1 not met, 2 open of 18"
    assert places(desk) == before, "nothing moves when a person ticks"

    # A text of the sheet is text.
    assert HOSTILE in item(viewer, "hostile") and viewer.page.locator(".pad-sheet img, .pad-sheet b > b").count() == 0

    # A viewer watches; a page that is loaded anew finds everything as it was.
    assert viewer.see("pad-tick-key-out").is_disabled() and "this page watches" in viewer.text("pad-says")
    viewer.see("pad-tick-spectators").click(force=True)
    desk.page.reload()
    desk.go("ready")
    eventually(lambda: desk.text("pad-summary") == "1 not met, 2 open of 18", 15)
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
    if size == PHONE:
        assert desk.page.locator("[data-item]:visible").count() == 0, "on a phone the list is asked for"
        desk.see("pad-fold").click()
    eventually(lambda: "unknown" not in desk.text("pad-summary"), 15)
    for button in desk.page.locator(".pad-tick:visible, .pad-acts .act:visible").all():
        box = button.bounding_box()
        assert box["height"] >= 44 and box["width"] >= 44
        assert button.get_attribute("aria-label") or button.inner_text()
    assert desk.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert cut_off(desk) == [], "no value and no bound"
    desk.see("pad-why").click()
    eventually(lambda: "safety device, not this page" in item(desk, "key-out"))
    desk.see("pad-fold").click()
    eventually(lambda: desk.page.locator("[data-item]:visible").count() == 0)
    assert desk.there("pad-summary")
    desk.close()


def test_on_paper_there_is_the_sheet_and_room_to_sign_and_nothing_else(pad: Bench, browser: object, tmp_path: Path) -> None:
    desk = Desk(browser, pad.links[0])
    desk.page.evaluate(NO_PRINTER)
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
