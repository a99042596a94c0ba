"""A bench trial on the page with real parts: twin process, station process, Chromium; the two acts, the result, a stop."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.browser.station import Process, eventually, page_of

HELD_MS = 1250


@pytest.fixture
def operators_link(tmp_path: Path) -> Iterator[str]:
    """A twin that stays on the bench, a station on it; gives the operator's link."""
    home = tmp_path / "home"
    twin = Process(home, "twin", "--listen", "socket://127.0.0.1:0", "--rate", "3", "--ignite-after", "100000")
    port = twin.line(r"(socket://\S+)")[1]
    station = Process(home, "live", "--port", port, "--no-browser", "--http-port", "0")
    yield station.line(r"(http://\S+#operator=\S+)")[1]
    station.stop()
    twin.stop()


def hold(page: object, button: object) -> None:
    """Press and hold, as a hand does."""
    eventually(lambda: button.get_attribute("aria-disabled") is None)
    button.scroll_into_view_if_needed()
    button.hover()
    page.mouse.down()
    page.wait_for_timeout(HELD_MS)
    page.mouse.up()


def arm_plan(see: Callable[[str], object], plan: str, cycles: int) -> None:
    see("trial-plan").select_option(plan)
    see("trial-cycles").fill(str(cycles))
    eventually(lambda: see("trial-arm").is_enabled())
    see("trial-arm").click()
    eventually(lambda: "s left to confirm" in see("trial-countdown").inner_text())


def enter_ground_test(page: object, see: Callable[[str], object]) -> None:
    eventually(lambda: "command" in see("who-commands").inner_text())  # before the desk is there no key opens it
    page.keyboard.press("d")
    see("command-ground_test").click()
    see("arg-on").select_option("1")
    eventually(lambda: see("desk-arm").is_enabled())
    see("desk-arm").click()
    hold(page, see("desk-confirm"))
    eventually(lambda: "verified by telemetry" in see("desk-said").inner_text())
    see("desk-cancel").click()
    eventually(lambda: not see("desk-said").is_visible())
    if not see("commands").is_visible():
        see("who-commands").click()
    eventually(lambda: see("commands").is_visible())


def test_a_trial_by_two_acts_its_result_and_a_stop(operators_link: str, browser: object) -> None:
    with page_of(browser) as page:

        def see(testid: str) -> object:
            return page.locator(f'[data-testid="{testid}"]:visible').first

        def said() -> str:
            return see("trial-said").inner_text()

        page.goto(operators_link)
        see("place-try").click()
        enter_ground_test(page, see)

        # One act sends nothing: a click is not a hold, and what is taken back is gone.
        arm_plan(see, "arm-safe", 1)
        eventually(lambda: see("trial-confirm").get_attribute("aria-disabled") is None)
        see("trial-confirm").click()
        see("trial-cancel").click()
        eventually(lambda: "taken back before anything was sent" in said())
        assert "Release firing board" not in see("commands").inner_text()

        arm_plan(see, "arm-safe", 1)
        hold(page, see("trial-confirm"))
        eventually(lambda: "passed" in said(), 45)
        assert "4 of 4 runs passed" in said()
        assert "Failure rate at most 52.7 % (one-sided exact bound" in see("trial-result").inner_text()
        pictures = page.locator('[data-testid="trial-histogram"] svg:visible')
        assert pictures.count() == 2 and "Arm lateral motor: 4 times" in pictures.first.get_attribute("aria-label")

        # Stopping is one act and makes safe.
        arm_plan(see, "arm-safe", 50)
        hold(page, see("trial-confirm"))
        # A run lasts a quarter of a second here, and so does a look: any run after the first will do.
        eventually(lambda: re.search(r"run (?!1 )\d+ of 200", said()))
        see("trial-stop").click()
        eventually(lambda: "stopped by a person" in said())
        assert "NOT seen to be safe" not in said()
        eventually(lambda: "Safe all" in see("commands").inner_text())
