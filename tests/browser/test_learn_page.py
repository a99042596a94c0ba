"""Learn in a real browser: what a fresh person does to answer its questions, counted in acts and pixels scrolled."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from cobs import cobs
from spacepackets.ccsds.spacepacket import SpacePacketHeader

from tests.browser.person import WHOLLY_SEEN, Person
from tests.browser.station import ROOT, Process, eventually

SAMPLES = ROOT / "replay_samples"
NAVIGATION_APID = 16


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A replay of the flight with a bad number; yields the longer link."""
    replay = Process(
        tmp_path_factory.mktemp("learn"),
        "replay",
        str(SAMPLES / "gusty-bad-number.pcapng"),
        "--no-browser",
        "--http-port",
        "0",
    )
    try:
        yield replay.line(r"(http://\S+#shelf=\S+)")[1]
    finally:
        replay.stop()


def at_learn(browser: object, link: str, width: int = 1366, height: int = 768) -> Person:
    """Someone who has just been led to Learn: the recording is open there by itself."""
    page = browser.new_context(viewport={"width": width, "height": height}, accept_downloads=True).new_page()
    page.goto(link)
    page.locator('[data-testid="replay-banner"]').wait_for()
    person = Person(page)
    eventually(lambda: "Leaned" in person.see("verdict").inner_text())
    return person


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (1280, 720)])
def test_why_it_pitched_over_is_read_without_an_act(browser: object, station: str, width: int, height: int) -> None:
    person = at_learn(browser, station, width, height)
    said = person.told("verdict")
    assert re.match(r"Leaned 54\u00b0 toward W at T\+1\.9 s: it left the rail at 14\.6 m/s", said), said
    assert "state vector not finite in 1 frame at T+5.0 s" in said
    eventually(lambda: person.see("finding-pitched_over").evaluate(WHOLLY_SEEN))
    person.press("finding-pitched_over")
    assert "check the static margin" in person.told("finding-advice")
    assert person.see("replay-clock").inner_text() == "T+00:01.895"
    assert person.count(f"why did it pitch over, {width}x{height}") == (1, 0)
    person.page.context.close()


def test_the_frame_that_stopped_being_a_number_is_read_with_one_act(browser: object, station: str) -> None:
    person = at_learn(browser, station)
    person.press("finding-bad_number")
    eventually(lambda: person.see("packet-name").inner_text() == "Navigation", 20)
    assert "vehicle\u2019s clock\n25000 ms" in person.told("packet-lines")
    bad = person.page.locator('[data-testid="packet-fields"] li[data-tone="warning"]')
    eventually(lambda: bad.count() == 7)
    names = {bad.nth(i).get_attribute("data-field") for i in range(7)}
    assert names == {"q_w", "q_x", "q_y", "q_z", "rate_x", "rate_y", "rate_z"}
    assert all("not a number" in bad.nth(i).inner_text() for i in range(7))
    assert all(bad.nth(i).evaluate(WHOLLY_SEEN) for i in range(7)), "without scrolling"
    assert person.see("replay-clock").inner_text() == "T+00:04.995", "lift-off was at 20.005 s, the frame is of 25.000 s"
    assert person.count("read the frame that stopped being a number") == (1, 0)

    # Its bytes are those of the recording, as another reader of the wire has them.
    person.page.locator(".packet-bytes summary").click()
    wire = bytes.fromhex(person.see("packet-hex").inner_text())
    header = SpacePacketHeader.unpack(cobs.decode(wire[:-1]))
    assert header.apid == NAVIGATION_APID and f"count\n{header.seq_count}\n" in person.see("packet-lines").inner_text()
    assert wire in (SAMPLES / "gusty-bad-number.pcapng").read_bytes()

    # A step is a packet, and the clock tells them apart; back again is the very same frame.
    person.press("packet-on")
    eventually(lambda: person.see("packet-name").inner_text() != "Navigation", 20)
    person.press("packet-back")
    eventually(lambda: person.see("packet-name").inner_text() == "Navigation" and bad.count() == 7, 20)
    person.page.context.close()


def test_two_flights_are_compared_in_four_acts_and_the_sentence_says_what_differs(browser: object, station: str) -> None:
    person = at_learn(browser, station)
    person.press("shelf-open")
    eventually(lambda: person.page.locator(".session .sketch").count() >= 4)
    person.press("compare-calm")
    person.press("compare-gusty-bad-number")
    person.press("compare")
    multiples = person.page.locator('[data-testid="comparison"] .multiple')
    eventually(lambda: multiples.count() == 6, 30)
    said = person.told("compare-says")
    assert said == (
        "gusty-bad-number differs most from calm in apogee 111 m against 279 m; then control enabled at 5.0 s against 2.2 s."
    )
    assert all(multiples.nth(i).locator("svg").evaluate(WHOLLY_SEEN) for i in range(6)), "all in one look"
    assert person.count("compare two flights") == (4, 0)
    person.page.context.close()


def test_a_report_is_taken_home_in_one_act_and_any_other_export_in_three(
    browser: object, station: str, tmp_path: Path
) -> None:
    person = at_learn(browser, station)
    with person.page.expect_download() as saving:
        person.press("report-open")
    saving.value.save_as(tmp_path / "report.html")
    assert (tmp_path / "report.html").stat().st_size > 10_000
    assert person.count("export, the report") == (1, 0)
    person.acts = 0
    person.press("shelf-open")
    person.press("session-more-gusty-bad-number")
    with person.page.expect_download():
        person.press("gpx-gusty-bad-number")
    assert person.count("export, anything else")[0] == 3
    person.page.context.close()


def test_on_a_phone_the_sentence_comes_first_and_nothing_is_wider_than_it(browser: object, station: str) -> None:
    person = at_learn(browser, station, 390, 844)
    order = ["verdict", "findings", "packet-name"]
    there = [person.page.locator(f'#place-learn [data-testid="{testid}"]') for testid in order]
    eventually(there[-1].is_visible, 5)  # asked of the station, a moment after the rest
    tops = [node.evaluate("(node) => node.getBoundingClientRect().top + scrollY") for node in there]
    assert tops == sorted(tops) and tops[0] < 420, tops
    for tab in ("flight", "numbers", "compare", "next", "files"):
        person.press(f"learn-{tab}")
        assert person.page.evaluate("document.documentElement.scrollWidth") <= 390, tab
    person.page.context.close()


def test_a_card_tells_a_flight_at_a_look_and_a_looped_stretch_lies_on_the_track(browser: object, tmp_path: Path) -> None:
    (tmp_path / "sessions").mkdir()
    file = tmp_path / "sessions" / "maiden.pcapng"
    shutil.copy(SAMPLES / "calm.pcapng", file)
    replay = Process(tmp_path, "replay", str(file), "--no-browser", "--http-port", "0")
    try:
        context = browser.new_context(viewport={"width": 1366, "height": 768}, timezone_id="America/Chicago")
        page = context.new_page()
        page.goto(replay.line(r"(http://\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.locator('[data-testid="shelf-open"]').click()
        card = page.locator(".session", has=page.locator('[data-testid="session-open-maiden"]'))
        eventually(lambda: "15 Jun 2025, 09:00 CDT" in re.sub(r"GMT-5", "CDT", card.inner_text()), 30)
        eventually(lambda: "no findings" in card.inner_text() and "apogee 279 m" in card.inner_text(), 30)
        assert card.locator(".sketch").get_attribute("aria-label") == "Height over time: up to 279 m."
        assert page.locator('[data-testid="verdict"]').inner_text() == "No findings. It reached 279 m."
        page.locator('[data-testid="shelf-search"]').fill("nothing like it")
        eventually(lambda: "Take one away" in page.locator(".sessions").inner_text())

        page.locator('[data-testid="replay-loop"]').click()
        seek = "(e) => { e.value = Number(e.value) + 5; e.dispatchEvent(new Event('input')); }"
        page.locator('[data-testid="replay-scrub"]').evaluate(seek)
        page.locator('[data-testid="replay-loop"]').click()
        shade = page.locator(".bar-looped").bounding_box()
        track = page.locator(".bar-track").bounding_box()
        assert shade["width"] / track["width"] == pytest.approx(5.0 / 91.5, rel=0.15)
        page.locator('[data-testid="replay-loop"]').click()
        eventually(lambda: not page.locator(".bar-looped").is_visible())
    finally:
        replay.stop()
