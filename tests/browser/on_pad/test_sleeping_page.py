"""A tab that slept catches up by itself: newest state, no hole in any column, nobody reloads it."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tests.browser.desk import Bench, Desk
from tests.browser.station import CHROMIUM_ARGUMENTS, chromium_path, eventually

# Of the page's live store (all objects of its class are asked for by DevTools): rows counted by the station and held,
# rows lost on the way, the longest step of arrival between two rows, for each table of the vehicle's packets.
HELD = """function () {
  const store = this.filter((one) => one.tables.get("navigation").n > 0).sort((a, b) => b.version - a.version)[0];
  return [...store.tables.values()].filter(({ meta, n }) => !meta.computed && meta.rate_hz > 0 && n > 0).map((table) => {
    const rx = [...table.rx.subarray(0, table.n)];
    const steps = rx.slice(1).map((at, i) => at - rx[i]);
    return {
      name: table.meta.name, next: table.next, n: table.n, last: rx.at(-1),
      missing: table.missing ? [...table.missing.subarray(0, table.n)].filter(Boolean).length : 0,
      longest: Math.max(...steps),
    };
  });
}"""


@pytest.fixture
def browsers(browser: object) -> Iterator[tuple[object, object]]:
    """Two browsers, so that the processes of one can be stopped while the other goes on."""
    other = browser.browser_type.launch(executable_path=chromium_path(), args=CHROMIUM_ARGUMENTS)
    yield browser, other
    other.close()


class Sleeper:
    """A tab that can be put to sleep as a computer does: its processes run no further, its connection stays open.

    Page.setWebLifecycleState would freeze it as a browser does with tabs nobody looks at, but does nothing to a page that
    counts as visible, as every page of a headless browser does.
    """

    def __init__(self, desk: Desk, browser: object) -> None:
        self.desk, self._browser = desk, browser
        self._devtools = desk.page.context.new_cdp_session(desk.page)
        self._devtools.send("Runtime.enable")
        desk.page.evaluate("window.notReloaded = true; window.beats = 0; setInterval(() => { window.beats++; }, 50);")

    def beats(self) -> int:
        """Return how often a timer of the page has run, 20 times a second while it is awake."""
        return self.desk.page.evaluate("window.beats")

    @contextmanager
    def asleep(self) -> Iterator[None]:
        """Let the browser's page processes stand still meanwhile."""
        processes = self._browser.new_browser_cdp_session().send("SystemInfo.getProcessInfo")["processInfo"]
        pages = [process["id"] for process in processes if process["type"] == "renderer"]
        assert pages
        try:
            for pid in pages:
                os.kill(pid, signal.SIGSTOP)
            yield
        finally:
            for pid in pages:
                os.kill(pid, signal.SIGCONT)

    def tables(self) -> dict[str, dict]:
        """Return what the live store holds, by table."""
        prototype = self._devtools.send(
            "Runtime.evaluate",
            {"expression": "import('/web/session/store.js').then((m) => m.Store.prototype)", "awaitPromise": True},
        )["result"]["objectId"]
        found = self._devtools.send("Runtime.queryObjects", {"prototypeObjectId": prototype})["objects"]["objectId"]
        call = {"functionDeclaration": HELD, "objectId": found, "returnByValue": True}
        return {table["name"]: table for table in self._devtools.send("Runtime.callFunctionOn", call)["result"]["value"]}


@pytest.mark.parametrize(
    "asleep_s",
    [
        pytest.param(3.0, id="short: the socket's messages have waited"),
        pytest.param(7.0, id="long: the page notices, connects anew and fetches"),
    ],
)
def test_a_tab_that_slept_shows_the_present_without_a_hole(
    bench: Bench, browsers: tuple[object, object], asleep_s: float
) -> None:
    operator, watching = Desk(browsers[0], bench.links[0]), Desk(browsers[1], bench.address)
    sleeper, awake = Sleeper(watching, browsers[1]), Sleeper(operator, browsers[0])
    eventually(lambda: watching.text("camera-1-state").startswith("Off"))
    slept_at, beats = {name: table["next"] for name, table in sleeper.tables().items()}, sleeper.beats()
    with sleeper.asleep():
        wakes_at = time.monotonic() + asleep_s
        operator.see("camera-1-power").click()
        eventually(lambda: operator.text("camera-1-state").startswith("On"), 20)
        time.sleep(max(0.0, wakes_at - time.monotonic()))
        counted = awake.tables()
    assert sleeper.beats() - beats < 10 * asleep_s, "it did not sleep"

    eventually(lambda: watching.text("camera-1-state").startswith("On"), 30)
    eventually(lambda: not watching.there("banner-silent") and watching.text("status-link") == "Up", 30)
    eventually(lambda: sleeper.tables()["navigation"]["next"] >= counted["navigation"]["next"], 30)
    for name, table in sleeper.tables().items():
        assert table["missing"] == 0 and table["next"] >= counted[name]["next"], table
        # The page holds the newest rows of a long watch; all since it fell asleep are among them.
        assert table["n"] >= min(table["next"], counted[name]["next"] - slept_at[name]), table
        assert table["longest"] < max(1.5, 2 * counted[name]["longest"]), table
    assert counted["navigation"]["next"] - slept_at["navigation"] > 10 * bench.rate * asleep_s
    assert watching.page.evaluate("window.notReloaded")

    operator.see("camera-1-power").click()
    eventually(lambda: watching.text("camera-1-state").startswith("Off"))
    watching.close()
    operator.close()
