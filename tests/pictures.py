"""Take the pictures of the page: `python -m tests.pictures` renews the README's; `--all DIR` takes every place.

With `--all`: each place on a laptop, a small laptop and a phone, light and dark, live, silent (the vehicle lost under its
canopy), in a replay, and of a vehicle that has a barometer only; DIR/index.html shows them side by side. Everything runs in
a real browser at a few times real time; what is seen is what a person sees.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from html import escape
from pathlib import Path

from playwright.sync_api import Browser, Page

from tests.browser.desk import PHONE, PLACES, Bench
from tests.browser.little_vehicles import recorded
from tests.browser.station import ROOT, Process, chromium

SIZES = {"laptop": (1366, 768), "small": (1280, 720), "phone": PHONE}
THEMES = ("light", "dark")
README = {(place, "laptop", "light") for place in ("ready", "watch", "learn")} | {("watch", "phone", "light")}
RATE = 2
IGNITE_S = {False: 60, True: 150}  # with every page to open it takes longer until the pad is seen
SILENT_RATE, SILENT_IGNITE_S, LOST_S, UNKNOWN_S = 4, 240, 20.0, 12
PATIENCE_MS = 180_000  # of a busy machine
UP_S, LANDED_S = 6.0, 64.0  # of the flight
PITCHED_S = 21.0  # timeline of the sample: a second after lift-off, as it leans

Pages = dict[tuple[str, str], Page]


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--all", type=Path, metavar="DIR", help="every place, size, theme and state, into DIR")
    options = parser.parse_args()
    folder = options.all or ROOT / "tests" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    with chromium() as browser:
        _live(browser, folder, bool(options.all))
        _replay(browser, folder, bool(options.all))
        if options.all:
            _silent(browser, folder)
            _little(browser, folder)
            _index(folder)


@contextmanager
def _pages(browser: Browser, address: str, operator: str = "", everything: bool = True) -> Iterator[Pages]:
    """Open a page for each size and theme that is shown; the first one of a laptop is the operator's."""
    pages = {}
    wanted = [(size, theme) for size in SIZES for theme in THEMES]
    for size, theme in wanted if everything else [key for key in wanted if key in {one[1:] for one in README}]:
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=theme, reduced_motion="reduce"
        )
        context.set_default_timeout(PATIENCE_MS)
        pages[size, theme] = context.new_page()
        pages[size, theme].goto(operator if operator and (size, theme) == ("laptop", "light") else address)
    try:
        yield pages
    finally:
        for page in pages.values():
            page.context.close()


def _take(pages: Pages, folder: Path, state: str, place: str) -> None:
    """Take one place on every page; without a state only what the README shows."""
    chosen = {key: page for key, page in pages.items() if state or (place, *key) in README}
    for page in chosen.values():
        page.locator(f'[data-testid="place-{place}"]').click()
    for (size, theme), page in chosen.items():
        page.wait_for_timeout(400)
        page.screenshot(path=folder / ("-".join(filter(None, (state, place, size, theme))) + ".png"))


def _flown(page: Page, seconds: float) -> None:
    """Wait until the page says that so much time has passed since lift-off: a busy machine's clock is not the vehicle's."""
    clock = page.locator('[data-testid="status-clock"]')
    while not (told := re.match(r"T\+(\d+):([\d.]+)", clock.inner_text())) or (60 * int(told[1]) + float(told[2]) < seconds):
        page.wait_for_timeout(100)


def _live(browser: Browser, folder: Path, everything: bool) -> None:
    state = "live" if everything else ""
    with tempfile.TemporaryDirectory() as home:
        arguments = ["--rate", str(RATE), "--ignite-after", str(IGNITE_S[everything]), "--http-port", "0", "--no-browser"]
        demo = Process(Path(home), "demo", *arguments)
        try:
            link = demo.line(r"(http://\S+#operator=\S+)")[1]
            with _pages(browser, link.split("#")[0], link, everything) as pages:
                operator = pages["laptop", "light"]
                operator.locator('[data-testid="place-ready"]').click()
                operator.locator('[data-testid="camera-2-power"]:visible').click()
                operator.wait_for_timeout(3000)
                _take(pages, folder, state, "ready")
                _take(pages, folder, state, "try")
                _flown(operator, UP_S)
                _take(pages, folder, state, "watch")
                _flown(operator, LANDED_S)
                _take(pages, folder, state, "find")
                if everything:
                    _take(pages, folder, state, "learn")
        finally:
            with suppress(Exception):
                demo.stop()


def _silent(browser: Browser, folder: Path) -> None:
    with tempfile.TemporaryDirectory() as home:
        bench = Bench(Path(home), rate=SILENT_RATE, ignite_s=SILENT_IGNITE_S)
        with bench, _pages(browser, bench.address, bench.links[0]) as pages:
            _flown(pages["laptop", "light"], LOST_S)
            bench.relay.unplug()
            time.sleep(UNKNOWN_S)
            for place in PLACES:
                _take(pages, folder, "silent", place)


def _replay(browser: Browser, folder: Path, everything: bool) -> None:
    """The demo is still being recorded, so a finished flight is looked at by a station of its own."""
    sample = ROOT / "replay_samples" / "gusty-bad-number.pcapng"
    _recorded(browser, folder, sample, "replay" if everything else "", PLACES if everything else ("learn",), PITCHED_S)


def _little(browser: Browser, folder: Path) -> None:
    with tempfile.TemporaryDirectory() as home:
        _recorded(browser, folder, recorded(Path(home), "barometer"), "little", PLACES, None)


def _recorded(browser: Browser, folder: Path, file: Path, state: str, places: tuple[str, ...], at_s: float | None) -> None:
    seek = "(at) => { const bar = document.querySelector('[data-testid=replay-scrub]'); bar.value = at ?? bar.max;"
    with tempfile.TemporaryDirectory() as home:
        station = Process(Path(home), "replay", str(file), "--no-browser", "--http-port", "0")
        try:
            with _pages(browser, station.line(r"Page: (http://\S+)")[1], everything=bool(state)) as pages:
                for page in pages.values():
                    page.locator('[data-testid="replay-banner"]').wait_for()
                    page.evaluate(f"{seek} bar.dispatchEvent(new Event('input')); }}", at_s)
                    page.wait_for_timeout(800)
                for place in places:
                    _take(pages, folder, state, place)
        finally:
            station.stop()


def _index(folder: Path) -> None:
    """Write a page that shows all pictures, a row for each state and place."""
    rows: dict[str, list[str]] = {}
    for path in sorted(folder.glob("*-*-*-*.png")):
        rows.setdefault("-".join(path.stem.split("-")[:2]), []).append(path.name)
    body = "".join(
        f"<h2>{escape(name)}</h2>" + "".join(f'<a href="{one}"><img src="{one}" alt="{one}"></a>' for one in names)
        for name, names in rows.items()
    )
    style = "img { height: 300px; margin: 4px; border: 1px solid #888 } body { font: 16px sans-serif }"
    (folder / "index.html").write_text(f"<!doctype html><title>Pictures</title><style>{style}</style>{body}", "utf-8")


if __name__ == "__main__":
    main()
