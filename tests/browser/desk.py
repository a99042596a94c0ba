"""A person at the page: what browser tests of the command desk do and look at."""

from __future__ import annotations

import contextlib
import json
import struct
import urllib.request
from pathlib import Path

from server.uplink.round_trip import ASKED_BY
from tests.browser.station import ROOT, NetRelay, Process, eventually

PLACES = ("try", "ready", "watch", "find", "learn")
LAPTOP = (1366, 768)
PHONE = (390, 844)

# The text of the first visible element of a test id, null without one: asked often, and a locator costs five times as much.
SEEN = """(testid) => [...document.querySelectorAll(`[data-testid="${testid}"]`)].find((one) =>
  one.checkVisibility({ visibilityProperty: true }) && one.getBoundingClientRect().width > 0
  && one.getBoundingClientRect().height > 0)?.innerText ?? null"""

# Whether the sheet says that the station has refused.
REFUSED = "document.querySelector('[data-testid=desk-said][data-tone=caution]') !== null"


def live_journal(address: str) -> list[dict]:
    """Return the journal of the live session at a page's address, as the page gets it."""
    body = urllib.request.urlopen(f"{address}api/sessions/live/columns").read()
    (size,) = struct.unpack_from("<I", body, 4)
    return json.loads(body[8 : 8 + size])["journal"]


class Bench:
    """A twin in the pad phase, a relay that counts and can be unplugged, and a station; all real processes."""

    def __init__(
        self,
        folder: Path,
        *,
        rate: int = 2,
        ignite_s: int = 100_000,
        two_person: bool = False,
        pad_sheet: Path | None = None,
    ) -> None:
        home = folder / "home"
        self.rate = rate
        self._twin = Process(
            home, "twin", "--listen", "socket://127.0.0.1:0", "--rate", str(rate), "--ignite-after", str(ignite_s)
        )
        self.relay = NetRelay(self._twin.line(r"(socket://\S+)")[1])
        sheet = ROOT / "server" / "design" / "sheets" / "sandpiper.toml"
        arguments = ["live", "--port", self.relay.url, "--sheet", str(sheet), "--no-browser", "--http-port", "0"]
        more = [*(["--two-person"] if two_person else []), *(["--pad-sheet", str(pad_sheet)] if pad_sheet else [])]
        self.station = Process(home, *arguments, *more)
        self.address = self.station.line(r"^Page: (http://\S+)")[1]
        self.links = [self.station.line(r"(http://\S+#operator=\S+)")[1]]
        if two_person:
            self.links.append(self.station.line(r"Second page.*?(http://\S+#operator=\S+)")[1])

    def journal(self) -> list[dict]:
        """Return the live session's journal as the page gets it."""
        return live_journal(self.address)

    def commands(self) -> list[dict]:
        """Return the latest view of every command, oldest first."""
        return list({entry["key"]: entry["body"] for entry in self.journal() if entry["topic"] == "command"}.values())

    def asked(self) -> list[dict]:
        """Return the latest view of every command that a person asked for: the station's own pings are left out."""
        return [command for command in self.commands() if command["operator"] != ASKED_BY]

    def twin_line(self, pattern: str, timeout_s: float) -> None:
        """Wait for a line of the twin."""
        self._twin.line(pattern, timeout_s)

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *problem: object) -> None:
        self.close()

    def close(self) -> None:
        """End everything; a process left over would keep its pseudo-terminal from later tests."""
        with contextlib.ExitStack() as ending:
            ending.callback(self._twin.stop)
            ending.callback(self.relay.close)
            ending.callback(self.station.stop)


class Desk:
    """One tab of the page. `see` finds by test id what is visible."""

    def __init__(self, browser: object, address: str, size: tuple[int, int] = LAPTOP, link: str = "Up") -> None:
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, reduced_motion="reduce")
        self.page = context.new_page()
        self.problems: list[str] = []
        self.page.on("pageerror", lambda error: self.problems.append(str(error)))
        self.page.goto(address)
        self.go("ready")
        eventually(lambda: self.text("status-link") == link, 20)
        eventually(lambda: self.text("who-commands") != "" or "#" not in address, 10)

    def see(self, testid: str) -> object:
        """Return the first visible element of a test id."""
        return self.page.locator(f'[data-testid="{testid}"]:visible').first

    def there(self, testid: str) -> bool:
        """Tell whether something of that test id is visible."""
        return self.page.evaluate(SEEN, testid) is not None

    def text(self, testid: str) -> str:
        """Return the visible text of a test id, "" while nothing of it is visible."""
        return self.page.evaluate(SEEN, testid) or ""

    def go(self, place: str) -> None:
        """Go to a place of the page."""
        self.see(f"place-{place}").click()

    def dock(self) -> None:
        """Show the command dock's lists, which stand on every place."""
        eventually(self._lists_stand, 5)

    def _lists_stand(self) -> bool:
        """Do what is missing until the lists stand still: one key both opens and closes them, a frame later."""
        if self.there("desk-title"):  # a command that was followed still has the dock's room
            self.page.keyboard.press("Escape")
        elif not self.there("commands-search"):
            self.see("who-commands").click()
        self.page.wait_for_timeout(100)
        return self.there("commands-search") and not self.there("desk-title")

    def open(self, command: str, **choices: str) -> None:
        """Open the sheet of a command from the dock's list of all commands, and choose its arguments."""
        self.dock()
        self.see(f"command-{command}").click()
        for name, text in choices.items():
            self.see(f"arg-{name}").select_option(label=text)

    def get_ready(self) -> None:
        """Do the first act, once every condition is met; again where a slow machine let one lapse meanwhile."""
        eventually(lambda: self.see("desk-arm").is_enabled(), 10)
        self.see("desk-arm").click()
        eventually(self._ready, 5)

    def _ready(self) -> bool:
        ready = "left to confirm" in self.text("desk-countdown")
        if not ready and self.page.evaluate(REFUSED):
            self.page.evaluate("document.querySelector('[data-testid=desk-arm]').click()")  # nothing while it is disabled
        return ready

    def hold(self, by: str = "mouse") -> None:
        """Do the second act: hold for a second, by mouse or by keyboard."""
        if by == "mouse":
            box = self.see("desk-confirm").bounding_box()
            self.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            self.page.mouse.down()
        else:
            assert self.page.evaluate("document.activeElement.dataset.testid") == "desk-confirm", "the focus is there"
            self.page.keyboard.down("Enter")
        eventually(lambda: not self.there("desk-confirm"), 6)
        self.page.mouse.up() if by == "mouse" else self.page.keyboard.up("Enter")

    def do(self, command: str, by: str = "mouse", **choices: str) -> None:
        """Give a guarded or hazardous command in two acts and wait until telemetry shows its effect."""
        self.open(command, **choices)
        self.get_ready()
        self.hold(by)
        eventually(lambda: "verified by telemetry" in self.text("desk-said"), 10)
        self.page.keyboard.press("Escape")
        eventually(lambda: not self.there("desk-title"), 2)

    def locks(self) -> dict[str, str]:
        """Return the sheet's conditions: name -> text, of those not met with "NOT met" in it."""
        rows = self.page.locator('[data-testid="interlocks"] [data-lock]:visible')
        return {row.get_attribute("data-lock"): row.inner_text() for row in rows.all()}

    def close(self) -> None:
        """Close the tab; an error of the page fails the test."""
        self.page.context.close()
        assert self.problems == []
