"""The whole way, with real parts: twin process, pseudo-terminal, station process, Chromium, recording, replay."""

from __future__ import annotations

import json
import struct
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.browser.station import Process, Relay, eventually, page_of

pytestmark = pytest.mark.terminal

RATE = 10
IGNITE_S = 420.0


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[tuple[Process, Process, Relay, Path]]:
    """A twin, a relay that counts, and a station on a real pseudo-terminal."""
    home, truth = tmp_path / "home", tmp_path / "truth.json"
    flight = ["--rate", str(RATE), "--ignite-after", str(IGNITE_S)]
    twin = Process(home, "twin", "--listen", "socket://127.0.0.1:0", "--truth", str(truth), *flight)
    relay = Relay(twin.line(r"(socket://\S+)")[1], tmp_path / "radio")
    sheet = Path(__file__).resolve().parents[2] / "server" / "design" / "sheets" / "sandpiper.toml"
    station = Process(
        home, "live", "--port", str(tmp_path / "radio"), "--sheet", str(sheet), "--no-browser", "--http-port", "0"
    )
    yield twin, station, relay, truth
    station.stop()
    relay.close()
    twin.stop()


def test_from_the_pad_to_the_replay(bench: tuple[Process, Process, Relay, Path], tmp_path: Path, browser: object) -> None:
    twin, station, relay, truth_file = bench
    begun = time.monotonic()
    link = station.line(r"(http://\S+#operator=\S+)")[1]
    with page_of(browser) as page:

        def see(testid: str) -> object:
            return page.locator(f'[data-testid="{testid}"]:visible').first

        page.goto(link)
        see("place-ready").click()
        eventually(lambda: see("status-link").inner_text() == "Up", 20)
        assert "operator=" not in page.url, "the token stays out of the address bar"

        # Camera 2: one act; powered only because telemetry says so.
        assert "Off" in see("camera-2-state").inner_text()
        page.keyboard.press("d")
        see("camera-2-power").click()
        eventually(lambda: "On" in see("camera-2-state").inner_text())
        eventually(lambda: "verified by telemetry" in see("commands").inner_text())
        after_camera = relay.up
        assert after_camera > 0

        # A hazardous command without its second act sends nothing, whatever is clicked or waited for.
        page.locator(".board >> text=Release firing board").first.click()
        eventually(lambda: see("desk-arm").is_enabled())
        see("desk-arm").click()
        eventually(lambda: see("desk-countdown").inner_text() != "")
        see("desk-confirm").click()  # a click is not a hold
        page.wait_for_timeout(700)
        see("desk-cancel").click()
        page.wait_for_timeout(700)
        assert relay.up == after_camera
        assert "Inhibited" in see("board-state").inner_text()

        # Pull the radio, put it back: the page says so and recovers by itself.
        relay.unplug()
        eventually(lambda: see("status-link").inner_text() != "Up", 4)
        relay.plug()
        eventually(lambda: see("status-link").inner_text() == "Up", 6)
        assert time.monotonic() - begun < IGNITE_S / RATE, "the pad part took longer than the countdown"

        # The flight.
        see("place-watch").click()
        twin.line("^landed$", 90)
        truth = json.loads(truth_file.read_text())
        eventually(lambda: see("status-phase").inner_text() == "Landed", 15)
        apogee = float(see("readout-apogee").get_attribute("data-value"))
        assert abs(apogee - truth["apogee_m"]) <= 0.01 * truth["apogee_m"]
        lived = shown(page, see)
        live_columns = fetch_columns(link.split("#")[0] + "api/sessions/live/columns")
        page.goto("about:blank")

    recording = Path(station.stop()[-1])
    assert recording.suffix == ".pcapng" and recording.exists()

    # The replay shows the same, and nothing can be transmitted.
    up_before = relay.up
    replay = Process(tmp_path / "home", "replay", str(recording), "--no-browser", "--http-port", "0")
    with page_of(browser) as page:

        def see_again(testid: str) -> object:
            return page.locator(f'[data-testid="{testid}"]:visible').first

        address = replay.line(r"Page: (http://\S+)")[1]
        assert_beginning_of(live_columns, fetch_columns(f"{address}api/sessions/{recording.stem}/columns"))
        page.goto(address)
        page.locator('[data-testid="replay-banner"]').wait_for()
        assert "nothing can be transmitted" in page.locator('[data-testid="replay-banner"]').inner_text()
        assert see_again("safe-all").is_disabled()
        scrub = see_again("replay-scrub")
        scrub.evaluate("(el) => { el.value = el.max; el.dispatchEvent(new Event('input', {bubbles: true})); }")
        see_again("place-watch").click()
        page.wait_for_timeout(500)
        again = shown(page, see_again)
        assert again["apogee"] == lived["apogee"]
        assert again["phase"] == "Landed"
        assert set(lived["events"][:20]) <= set(again["events"])
        see_again("place-ready").click()
        assert "On" in see_again("camera-2-state").inner_text()
        assert page.locator('[data-testid="desk-arm"]:visible').count() == 0
    replay.stop()
    assert relay.up == up_before


def fetch_columns(url: str) -> tuple[dict[str, dict[str, np.ndarray]], list[dict]]:
    """Return a session's columns by table, and its journal, from the binary form (read here without the page's code)."""
    body = urllib.request.urlopen(url).read()
    assert body[:4] == b"BHC1"
    (size,) = struct.unpack_from("<I", body, 4)
    header = json.loads(body[8 : 8 + size])
    offset, tables = 8 + size, {}
    for table in header["tables"]:
        tables[table["name"]] = {}
        for column in table["columns"]:
            tables[table["name"]][column] = np.frombuffer(body, "<f8", table["rows"], offset)
            offset += 8 * table["rows"]
    assert offset == len(body)
    return tables, header["journal"]


def assert_beginning_of(live: tuple, whole: tuple) -> None:
    """Everything the live run showed stands in the replay, value for value, NaN included; the recording only goes on.

    The journals are compared by the moments of their entries: live, what is judged comes a little late.
    """
    (live_tables, live_journal), (tables, journal) = live, whole
    assert sum(len(columns["t"]) for columns in live_tables.values()) > 30_000
    for name, columns in live_tables.items():
        for column, values in columns.items():
            assert np.array_equal(values, tables[name][column][: len(values)], equal_nan=True), (name, column)
    told, whole_told = (
        [{name: value for name, value in entry.items() if name != "i"} for entry in sorted(one, key=lambda e: e["rx"])]
        for one in (live_journal, journal)
    )
    assert told == whole_told[: len(told)]


def shown(page: object, see: object) -> dict[str, object]:
    """Return what the Flight place says."""
    events = page.locator('[data-testid="events"]:visible .what').all_inner_texts()
    flight = [text for text in events if "recording" not in text.lower()]
    return {
        "apogee": see("readout-apogee").get_attribute("data-value"),
        "phase": see("status-phase").inner_text(),
        "events": flight,
    }
