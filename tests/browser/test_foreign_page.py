"""A vehicle with a format of its own on the page: shown like any other, its commands called what they are."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.station import ROOT, Process, eventually, page_of
from tests.protocol.foreign.foreign_helpers import FOLDER


@pytest.fixture
def link(tmp_path: Path) -> Iterator[str]:
    """The operator's link of a station that hears the Wren, which speaks lines of text."""
    file = str(FOLDER / "wren.toml")
    twin = Process(tmp_path, "twin", "--listen", "socket://127.0.0.1:0", "--dictionary", file, "--ignite-after", "1000")
    url = twin.line(r"(socket://\S+)")[1]
    station = Process(tmp_path, "live", "--port", url, "--dictionary", file, "--no-browser", "--http-port", "0")
    yield station.line(r"(http://\S+#operator=\S+)")[1]
    station.stop()
    twin.stop()


def test_the_page_says_what_commands_are_worth_and_refuses_hazards(link: str, browser: object) -> None:
    with page_of(browser) as page:

        def see(testid: str) -> object:
            return page.locator(f'[data-testid="{testid}"]:visible').first

        page.goto(link)
        see("place-ready").click()
        eventually(lambda: see("status-link").inner_text() == "Up", 20)
        see("who-commands").click()
        eventually(lambda: page.locator('[data-testid="commands-note"]:visible').count() == 1)
        assert "neither authenticated nor answered" in see("commands-note").inner_text()

        # Nothing goes out before a person has allowed it for this session.
        see("camera-1-power").click()
        eventually(lambda: "allow routine ones for this session first" in page.inner_text("body"), 10)
        assert "Off" in see("camera-1-state").inner_text()
        assert see("commands-unbound").inner_text().startswith("Commands to this vehicle are bound to no vehicle")
        see("commands-allow").click()
        eventually(lambda: page.locator('[data-testid="commands-allow"]:visible').count() == 0, 10)

        # A routine one goes out, its effect shows in telemetry, its outcome stays unknown.
        assert "Off" in see("camera-1-state").inner_text()
        see("camera-1-power").click()
        eventually(lambda: "On" in see("camera-1-state").inner_text())
        eventually(lambda: "does not answer commands" in see("commands").inner_text(), 10)

        # A hazardous one is refused with the reason, because the dictionary does not state the risk.
        see("command-recovery_arm").click()
        eventually(lambda: see("desk-arm").is_visible())
        eventually(lambda: "has not accepted that risk" in page.inner_text("body"))
        assert see("desk-arm").is_disabled()


@pytest.fixture
def old_link(tmp_path: Path) -> Iterator[str]:
    """The operator's link of a station that hears a vehicle of wire version 1."""
    file = str(ROOT / "tests" / "sandpiper_1.toml")
    twin = Process(tmp_path, "twin", "--listen", "socket://127.0.0.1:0", "--dictionary", file, "--ignite-after", "1000")
    url = twin.line(r"(socket://\S+)")[1]
    station = Process(tmp_path, "live", "--port", url, "--dictionary", file, "--no-browser", "--http-port", "0")
    yield station.line(r"(http://\S+#operator=\S+)")[1]
    station.stop()
    twin.stop()


def test_routine_commands_to_a_vehicle_of_wire_version_1_are_allowed_where_nothing_moves(
    old_link: str, browser: object
) -> None:
    with page_of(browser) as page:

        def see(testid: str) -> object:
            return page.locator(f'[data-testid="{testid}"]:visible').first

        page.goto(old_link)
        see("place-try").click()
        eventually(lambda: see("status-link").inner_text() == "Up", 20)
        see("who-commands").click()
        eventually(lambda: see("commands-unbound").is_visible())
        note, allow = see("commands-unbound"), see("commands-allow")
        eventually(allow.is_enabled, 10)
        above, button = note.bounding_box(), allow.bounding_box()
        assert button["y"] - (above["y"] + above["height"]) >= 6.0, "the note touches the button"

        see("command-ping").click()
        eventually(lambda: "allow routine ones for this session first" in see("notice").inner_text(), 10)

        def beside() -> float:  # the column may be scrolled to what is clicked
            return see("command-ping").bounding_box()["y"] - see("commands-unbound").bounding_box()["y"]

        before = beside()
        allow.click()
        eventually(lambda: page.locator('[data-testid="commands-allow"]:visible').count() == 0, 10)
        assert beside() == before, "it moved under the hand that allowed"
        assert "routine ones are allowed for this session" in see("commands-unbound").inner_text()
        see("command-ping").click()
        eventually(lambda: "verified by telemetry" in page.inner_text(".dock"), 20)


def test_without_an_attitude_the_flight_says_so_and_shows_no_number_that_is_none(link: str, browser: object) -> None:
    with page_of(browser) as page:
        page.goto(link)
        page.locator('[data-testid="place-watch"]:visible').first.click()
        eventually(lambda: page.locator('[data-testid="status-link"]:visible').first.inner_text() == "Up", 20)
        said = "attitude is not in this vehicle's dictionary"
        eventually(lambda: any(said in text for text in page.locator(".absent:visible").all_inner_texts()), 10)
        assert "NaN" not in page.inner_text("body")
        assert page.locator("canvas.scope-drawing:visible").count() == 0
