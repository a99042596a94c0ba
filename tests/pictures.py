"""Take the pictures of the page: `python -m tests.pictures` renews the README's, `--all DIR` takes every place and size.

A demonstration is flown at a few times real time in a real browser; what is seen is what a person sees.
"""

from __future__ import annotations

import argparse
import contextlib
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from tests.browser.station import CHROMIUM_ARGUMENTS, ROOT, Process, chromium_path

SIZES = {"laptop": (1366, 768), "phone": (390, 844)}
README = {
    ("ready", "laptop", "light"),
    ("watch", "laptop", "light"),
    ("learn", "laptop", "light"),
    ("watch", "phone", "light"),
}
IGNITE_S = 60
RATE = 2


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--all", type=Path, metavar="DIR", help="every place, size and theme, into DIR")
    parser.add_argument("--scenario", default="calm")
    options = parser.parse_args()
    folder = options.all or ROOT / "tests" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home, sync_playwright() as playwright:
        arguments = [
            "--scenario",
            options.scenario,
            "--rate",
            str(RATE),
            "--ignite-after",
            str(IGNITE_S),
            "--http-port",
            "0",
        ]
        demo = Process(Path(home), "demo", "--no-browser", *arguments)
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGUMENTS)
        try:
            link = demo.line(r"(http://\S+#operator=\S+)")[1]
            address = link.split("#")[0]
            begun = time.monotonic()
            pages = {
                (size, theme): _open(browser, size, theme, link if (size, theme) == ("laptop", "light") else address)
                for size in SIZES
                for theme in ("light", "dark")
            }
            _fly(pages, folder, begun, bool(options.all))
        finally:
            browser.close()
            with contextlib.suppress(Exception):
                demo.stop()


def _open(browser: object, size: str, theme: str, address: str) -> Page:
    width, height = SIZES[size]
    page = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=theme, reduced_motion="reduce"
    ).new_page()
    page.goto(address)
    return page


def _fly(pages: dict[tuple[str, str], Page], folder: Path, begun: float, everything: bool) -> None:
    operator = pages["laptop", "light"]
    operator.locator('[data-testid="place-ready"]').click()
    operator.locator('[data-testid="camera-2-power"]:visible').click()
    operator.wait_for_timeout(3000)
    operator.locator(".board >> text=Release firing board").first.click()
    operator.wait_for_timeout(1500)
    _take(pages, folder, "ready", everything)
    operator.locator('[data-testid="desk-cancel"]').click()
    operator.wait_for_timeout(300)
    _take(pages, folder, "try", everything)
    _wait_until(begun, IGNITE_S + 7.2)
    _take(pages, folder, "watch", everything)
    _wait_until(begun, IGNITE_S + 30)
    _take(pages, folder, "find", everything)
    _wait_until(begun, IGNITE_S + 75)
    _take_reviews(pages, folder, everything)


def _wait_until(begun: float, vehicle_s: float) -> None:
    time.sleep(max(0.0, vehicle_s / RATE - (time.monotonic() - begun)))


def _take(pages: dict[tuple[str, str], Page], folder: Path, place: str, everything: bool) -> None:
    chosen = {key: page for key, page in pages.items() if everything or (place, *key) in README}
    for page in chosen.values():
        page.locator(f'[data-testid="place-{place}"]').click()
    for (size, theme), page in chosen.items():
        page.wait_for_timeout(150)
        page.screenshot(path=folder / f"{place}-{size}-{theme}.png")


def _take_reviews(pages: dict[tuple[str, str], Page], folder: Path, everything: bool) -> None:
    """The demo is still being recorded, so a finished copy of it is reviewed by a station of its own."""
    sample = ROOT / "replay_samples" / "gusty-bad-number.pcapng"
    with tempfile.TemporaryDirectory() as home:
        replay = Process(Path(home), "replay", str(sample), "--no-browser", "--http-port", "0")
        address = replay.line(r"Page: (http://\S+)")[1]
        for (size, theme), page in pages.items():
            if everything or ("learn", size, theme) in README:
                page.goto(address)
                page.locator('[data-testid="replay-banner"]').wait_for()
                page.wait_for_timeout(1200)
                page.screenshot(path=folder / f"learn-{size}-{theme}.png")
        replay.stop()


if __name__ == "__main__":
    main()
