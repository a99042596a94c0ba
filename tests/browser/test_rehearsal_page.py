"""A rehearsal on the page: the word and the hatch at every place, live and in its recording; a red line for its build."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from server.cli.rehearse import fly, record
from server.recording.records import Kind
from server.recording.session_file import open_session
from server.rehearsal.closed_loop import Plan
from server.rehearsal.history import FILE, keep
from server.rehearsal.tape import Tape
from server.review.review import open_review, rehearsal_of
from server.twin.scenarios import load_scenario
from tests.browser.station import Process, eventually, page_of
from tests.server.firmware.flight_build import host_program
from tests.server.rehearsal.computers import blockhouse
from tests.server.rehearsal.helpers import computer, judge
from tests.server.rehearsal.test_history import past

PLACES = ("ready", "watch", "find", "learn", "try")
RATE = 8.0  # times as fast as it was rehearsed


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rehearsal of the clean example, recorded."""
    with computer() as talk:
        talk.tape = Tape()
        fly(talk, judge(), Plan(load_scenario("calm"), 2), None)
        return record(talk, tmp_path_factory.mktemp("sessions"), "calm, seed 2")


class Radio:
    """A socket that says what the flight computer said in a rehearsal, in its order and, faster, at its times."""

    def __init__(self, recording: Path, seconds: float) -> None:
        session = open_session(recording)
        origin = session.header.origin_monotonic_ns
        said = [((r.mono_ns - origin) / 1e9, r.payload) for r in session.records if r.kind == Kind.RECEIVED]
        self._said = [one for one in said if one[0] <= seconds]
        self._last = said[-1][1]  # that the rehearsal is over, said once
        self.ends = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)
        self._thread.start()

    def _speak(self) -> None:
        with self._server, self._server.accept()[0] as link, suppress(OSError):
            begun = time.monotonic()
            for at_s, data in self._said:
                time.sleep(max(0.0, begun + at_s / RATE - time.monotonic()))
                link.sendall(data)
            self.ends.wait()
            link.sendall(self._last)
            self._over.wait()

    def close(self) -> None:
        """Say no more."""
        self.ends.set()
        self._over.set()
        self._thread.join(10)


def banner(page: object, name: str) -> object:
    return page.locator(f'[data-testid="banner-{name}"]:visible')


def in_every_place(page: object) -> Iterator[str]:
    for place in PLACES:
        page.locator(f'[data-testid="place-{place}"]:visible').first.click()
        yield place


def is_hatched(page: object, name: str) -> bool:
    drawn = banner(page, name).evaluate("node => getComputedStyle(node).backgroundImage")
    return drawn.startswith("repeating-linear-gradient")


def test_a_recording_of_a_rehearsal_says_so_at_every_place(recording: Path, tmp_path: Path, browser: object) -> None:
    station = Process(tmp_path, "replay", str(recording), "--no-browser", "--http-port", "0")
    try:
        with page_of(browser) as page:
            page.goto(station.line(r"(http://\S+)")[1])
            page.locator('[data-testid="replay-banner"]').wait_for()
            for _ in in_every_place(page):
                said = banner(page, "rehearsal").inner_text()
                assert said == "REHEARSAL \N{EM DASH} on the bench, nothing of this was flown: calm, seed 2"
                assert is_hatched(page, "rehearsal") and banner(page, "build").count() == 0
            page.locator('[data-testid="place-learn"]:visible').first.click()
            verdict = page.locator('[data-testid="verdict"]:visible').first
            eventually(lambda: verdict.inner_text().startswith("Rehearsal: "))
    finally:
        station.stop()


def test_a_live_rehearsal_says_so_at_every_place_and_its_build_stays_a_red_line(
    recording: Path, tmp_path: Path, browser: object
) -> None:
    radio = Radio(recording, 40.0)
    sessions = tmp_path / "heard"
    words = ["live", "--port", radio.url, "--sessions", str(sessions), "--no-browser", "--http-port", "0"]
    station = Process(tmp_path, *words)
    try:
        with page_of(browser) as page:
            page.goto(station.line(r"(http://\S+#operator=\S+)")[1])
            eventually(lambda: banner(page, "rehearsal").count() == 1, 20)
            for _ in in_every_place(page):
                assert "REHEARSAL \N{EM DASH} on the bench, nothing of this flies." in banner(page, "rehearsal").inner_text()
                assert "hands clear of the fins" in banner(page, "rehearsal").inner_text()
                assert is_hatched(page, "rehearsal")
                assert "REHEARSAL BUILD, not for flight" in banner(page, "build").inner_text()
            radio.ends.set()
            eventually(lambda: banner(page, "rehearsal").count() == 0)
            page.locator('[data-testid="place-ready"]:visible').first.click()
            assert "REHEARSAL BUILD, not for flight" in banner(page, "build").inner_text()
            red = banner(page, "build").evaluate("node => getComputedStyle(node).backgroundColor")
            assert red not in ("rgba(0, 0, 0, 0)", "rgb(255, 255, 255)")
    finally:
        station.stop()
        radio.close()
    (heard,) = sessions.glob("*.pcapng")
    assert rehearsal_of(open_review(heard)) == "heard on the bench"


def test_how_each_build_has_done_stands_at_try_and_nothing_where_there_was_none(browser: object, tmp_path: Path) -> None:
    sessions = tmp_path / "sessions"
    sessions.mkdir()
    demo = Process(tmp_path, "demo", "--no-browser", "--http-port", "0", "--ignite-after", "100000")
    try:
        address = demo.line(r"Page: (http://\S+)")[1]
        with page_of(browser) as page:
            page.goto(address)
            page.locator('[data-testid="place-try"]').click()
            page.locator('[data-testid="channel-filter"]:visible').wait_for()
            assert not page.locator('[data-testid="rehearsals"]').is_visible()
        runs = [past(n, passed=n != 3, wrong="navigation.rate_z, not finite" if n == 3 else "") for n in range(1, 9)]
        keep(sessions / FILE, runs)
        with page_of(browser) as page:
            page.goto(address)
            page.locator('[data-testid="place-try"]').click()
            panel = page.locator('[data-testid="rehearsals"]')
            panel.wait_for()
            told = panel.inner_text()
            assert "example 1 \N{MIDDLE DOT} 0a1b2c3d" in told and "7 of 8 passed; it fails in less than 47.1 %" in told
            assert "Most often wrong: navigation.rate_z, not finite" in told
            marks = panel.locator('[data-testid="rehearsal-run"]')
            marks.last.focus()  # the only one that the Tab key stops at
            assert marks.evaluate_all("all => all.filter((one) => one.tabIndex === 0).length") == 1
            for key, at in (("ArrowLeft", 6), ("Home", 0), ("ArrowRight", 1), ("End", 7), ("ArrowRight", 7)):
                page.keyboard.press(key)
                assert marks.nth(at).evaluate("(one) => one === document.activeElement"), key
            assert panel.locator(".course-mark.-passed").count() == 7 and panel.locator(".course-mark.-failed").count() == 1
            panel.scroll_into_view_if_needed()
            assert panel.evaluate("(node) => node.scrollWidth <= node.clientWidth")
    finally:
        demo.stop()


def against_truth(printed: str) -> dict[str, str]:
    """Return what the terminal's tables say of each component, "rms, worst" by "component, unit"."""
    found = {}
    lines = printed.splitlines()
    for head, row in zip(lines, lines[1:], strict=False):
        if re.match(r"flight +seed +(position|attitude)", head):
            names = re.split(r" {2,}", head.strip())[2:]
            found |= dict(zip(names, re.findall(r"\S+, \S+", row), strict=True))
    return found


def test_a_rehearsal_shows_its_picture_with_the_numbers_of_the_terminal(browser: object, tmp_path: Path) -> None:
    """Two real ones: the clean example, and one with its first planted fault; and one of before pictures were kept."""
    sessions = tmp_path / "sessions"
    sessions.mkdir()
    keep(sessions / FILE, [past(1)])
    words = ("rehearse", "--sessions", str(sessions), "--seed", "2", "--program")
    code, printed, _ = blockhouse(tmp_path, *words, str(host_program()))
    assert code == 0, printed
    assert blockhouse(tmp_path, *words, str(host_program(1)))[0] == 3
    told = against_truth(printed)
    assert len(told) == 10, printed
    station = Process(tmp_path, "demo", "--no-browser", "--http-port", "0", "--ignite-after", "100000")
    try:
        with page_of(browser) as page:
            page.goto(station.line(r"Page: (http://\S+)")[1])
            page.locator('[data-testid="place-try"]').click()
            panel = page.locator('[data-testid="rehearsals"]')
            panel.wait_for()
            mark = lambda words: panel.get_by_role("button", name=words)  # noqa: E731
            shown = page.locator(".panel.rehearsed-run")
            assert not shown.is_visible()
            mark("calm, seed 2: passed").focus()
            page.keyboard.press("Enter")
            page.locator('[data-testid="run-position.up"]').wait_for()
            for name, numbers in told.items():
                role, unit = name.split(", ")
                rms, worst = numbers.split(", ")
                read = f"{worst}\N{DEGREE SIGN}" if unit == "deg" else f"{worst} {unit.replace('deg', chr(176))}"
                said = page.locator(f'[data-testid="run-{role}"] [data-testid="run-apart"]').inner_text()
                assert said.startswith(f"rms {rms}, worst {read} at "), (name, said, numbers)
            assert "REHEARSAL \N{EM DASH} on the bench, nothing of this was flown" in shown.inner_text()
            band = shown.locator(".run-band-words").evaluate("node => getComputedStyle(node).backgroundImage")
            assert band.startswith("repeating-linear-gradient")
            assert re.search(r"boost \+0\.\d\d s, coast .*recovery ordered . after", shown.inner_text())
            drawn = shown.locator(".run-curve .run-told, .run-curve .run-truth, .run-curve .run-apart")
            assert drawn.evaluate_all("all => all.filter((one) => one.getBoundingClientRect().width > 100).length") == 30
            assert shown.locator(".run-curve .run-worst").count() == 10 and shown.locator(".run-curve .run-bad").count() == 0
            label = page.locator('[data-testid="run-position.up"] svg[role="img"]').get_attribute("aria-label")
            assert label.startswith("Height: computer over truth, from 6.0 to ")
            for width, height in ((1366, 768), (1280, 720), (900, 700), (390, 844)):
                page.set_viewport_size({"width": width, "height": height})
                page.wait_for_timeout(300)
                assert shown.evaluate("(node) => node.scrollWidth <= node.clientWidth"), width
                assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), width
            page.set_viewport_size({"width": 1366, "height": 768})
            mark("calm, seed 2: failed").click()
            wrongs = shown.locator('[data-testid="run-wrongs"]')
            wrongs.wait_for()
            assert "First bad: frame 823, 8.230 s: navigation.rate_z is not a number" in wrongs.inner_text()
            assert shown.locator(".run-curve .run-bad").count() == 10
            assert "not a number, first at" in page.locator('[data-testid="run-position.up"]').inner_text()
            mark("calm, seed 1: passed").click()
            said = page.locator('[data-testid="run-said"]')
            eventually(lambda: said.inner_text() == "No picture is kept of this rehearsal.")
            assert shown.locator(".run-curve").count() == 0
            page.locator('[data-testid="run-close"]').click()
            shown.wait_for(state="hidden")
            focused = lambda: page.evaluate("document.activeElement.getAttribute('aria-label')")  # noqa: E731
            eventually(lambda: focused() == "calm, seed 1: passed")
    finally:
        station.stop()
