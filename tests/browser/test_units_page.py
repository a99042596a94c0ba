"""A person's units on the page: every place, picture and label reads in feet and miles per hour once they are chosen."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.browser.desk import PLACES, Bench
from tests.browser.station import ROOT, Process, eventually

SAMPLES = ROOT / "replay_samples"

# What can be read or heard of the page: [text, where] of visible text nodes, labels and hints; what says SI on purpose
# (the wire's own bytes, fields that are filled in) is marked and left out.
TEXTS = """() => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const seen = (one) => one.checkVisibility({ visibilityProperty: true });
  const where = (one) => one.closest('[data-testid]')?.dataset.testid + ' ' + one.getAttribute('class');
  while (walk.nextNode()) {
    const { parentElement: of, data } = walk.currentNode;
    if (data.trim() && !of.closest('[data-si], script, noscript') && seen(of)) found.push([data, where(of)]);
  }
  for (const one of document.querySelectorAll('[aria-label], [title]')) {
    if (one.closest('[data-si], [data-testid=units]') || !seen(one)) continue;
    for (const name of ['aria-label', 'title']) if (one.hasAttribute(name)) found.push([one.getAttribute(name), where(one)]);
  }
  return found;
}"""
BESIDE = re.compile(r"[\d.]+(?: \u00b1 [\d.]+)? m(?:/s)? \([^()]*(?:ft|mph)\)")
METRIC = re.compile(r"(?:^|[\s(,~]|\d ?)(?:m/s|m|km|meters?)(?![\w/\u00b2\u2019'])(?! *,? m/s)|\bmeters?\b")


READ_AS = dict.fromkeys(("now-height", "now-top", "readout-height"), 1 / 0.3048) | dict.fromkeys(
    ("now-climb", "readout-climb", "readout-speed"), 3600 / 1609.344
)


def metric_left(page: object) -> list[str]:
    """Return what still reads in meters, without the amounts that have feet beside them."""
    told = [(BESIDE.sub("", text), text, where) for text, where in page.evaluate(TEXTS)]
    return sorted({f"{text.strip()[:140]!r} in {where}" for left, text, where in told if METRIC.search(left)})


def at_home(folder: Path, units: str) -> Path:
    """Make the home of a person whose settings choose these units."""
    folder.mkdir(exist_ok=True)
    (folder / "settings.toml").write_text(f'[person]\nunits = "{units}"\n', "utf-8")
    return folder


def scrubbed(page: object, second: float) -> None:
    page.evaluate(
        "(t) => { const bar = document.querySelector('[data-testid=replay-scrub]');"
        " bar.value = t; bar.dispatchEvent(new Event('input')); }",
        second,
    )


def unfolded(page: object) -> None:
    page.evaluate("() => document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.wait_for_timeout(400)


def all_of_learn(page: object) -> list[str]:
    """Return what still reads in meters behind any of the tabs of Learn."""
    left: list[str] = []
    for number in range(page.locator("#place-learn [role=tab]").count()):
        tab = page.locator("#place-learn [role=tab]").nth(number)
        if tab.is_visible():
            tab.click()
            unfolded(page)
            left += metric_left(page)
    return left


@pytest.mark.parametrize(("sample", "second"), [("calm", 24.0), ("gusty-bad-number", 23.0), ("thin-link", 40.0)])
def test_no_place_of_a_replay_reads_in_meters_once_feet_are_chosen(
    browser: object, tmp_path: Path, sample: str, second: float
) -> None:
    home = at_home(tmp_path / "home", "imperial")
    station = Process(home, "replay", str(SAMPLES / f"{sample}.pcapng"), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.goto(station.line(r"(http://\S+#shelf=\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        left = []
        for at in (second, 90.0):
            scrubbed(page, at)
            for place in PLACES:
                page.locator(f'[data-testid="place-{place}"]:visible').first.click()
                unfolded(page)
                left += [f"{place}: {one}" for one in metric_left(page)]
                left += [f"{place}: {one}" for one in (all_of_learn(page) if place == "learn" else [])]
        assert not left, "\n".join(sorted(set(left)))
    finally:
        station.stop()


def test_a_comparison_and_the_report_are_read_in_feet(browser: object, tmp_path: Path) -> None:
    home = at_home(tmp_path / "home", "imperial")
    station = Process(home, "replay", str(SAMPLES / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.goto(station.line(r"(http://\S+#shelf=\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.locator("#place-learn [role=tab]", has_text="Compare").click()
        page.get_by_test_id("shelf-open").click()
        for name in ("calm", "gusty-bad-number"):
            page.get_by_test_id(f"compare-{name}").check()
        page.get_by_test_id("session-more-calm").click()
        assert page.get_by_test_id("report-calm").get_attribute("href").endswith("?units=imperial")
        page.get_by_test_id("compare").click()
        page.get_by_test_id("compare-says").wait_for()
        left = metric_left(page)
        assert not left, "\n".join(left)
    finally:
        station.stop()


def test_the_choice_is_made_once_is_kept_and_changes_what_stands_there(browser: object, tmp_path: Path) -> None:
    station = Process(tmp_path, "replay", str(SAMPLES / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.goto(station.line(r"(http://\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        scrubbed(page, 60.0)
        page.get_by_test_id("place-watch").click()
        top = page.get_by_test_id("now-top")
        eventually(lambda: top.get_attribute("data-value") is not None)
        meters = float(top.get_attribute("data-value"))
        assert top.inner_text() == f"{meters:.0f}"
        page.get_by_test_id("units").click()
        eventually(lambda: top.inner_text() == f"{meters / 0.3048:.0f}")
        assert float(top.get_attribute("data-value")) == meters, "what programs read stays SI"
        for testid, factor in READ_AS.items():
            shown = page.get_by_test_id(testid)
            told, si = shown.inner_text().replace("\u2212", "-"), float(shown.get_attribute("data-value"))
            assert abs(float(told) - si * factor) <= (0.05 if "." in told else 0.5) * 1.001, (testid, told, si)
        eventually(lambda: not metric_left(page))
        page.reload()
        page.locator('[data-testid="replay-banner"]').wait_for()
        eventually(lambda: page.get_by_test_id("units").inner_text() == "ft, mph")
        page.get_by_test_id("units").click()
        scrubbed(page, 60.0)
        page.get_by_test_id("place-watch").click()
        eventually(lambda: top.inner_text() == f"{meters:.0f}")
    finally:
        station.stop()


def test_a_live_page_on_the_pad_reads_in_feet(browser: object, tmp_path: Path) -> None:
    with Bench(tmp_path) as bench:
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.goto(bench.links[0])
        eventually(lambda: " m" in page.get_by_test_id("status-height").inner_text())
        page.get_by_test_id("units").click()
        eventually(lambda: " ft" in page.get_by_test_id("status-height").inner_text())
        left = []
        for place in PLACES:
            page.locator(f'[data-testid="place-{place}"]:visible').first.click()
            unfolded(page)
            left += [f"{place}: {one}" for one in metric_left(page)]
        page.get_by_test_id("who-commands").click()
        unfolded(page)
        left += [f"dock: {one}" for one in metric_left(page)]
        assert not left, "\n".join(sorted(set(left)))
