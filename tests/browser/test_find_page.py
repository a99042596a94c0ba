"""Finding it with a phone: what may be live before any arrow, the way, the place to copy and to scan."""

from __future__ import annotations

import json
import re
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from geographiclib.geodesic import Geodesic

from tests.browser.desk import PHONE, Bench, Desk
from tests.browser.little_vehicles import SITE_DEG, recorded
from tests.browser.station import ROOT, Process, eventually
from tests.browser.test_little_vehicle_page import go, seek

DANGER = "4 motors not proved fired: may be live, treat as armed; approach only when the range is opened; one person."
FULL = "[data-testid=find-danger]"
PAD_DEG = (40.0, -100.0)

# Whether something is seen whole without scrolling: its corners are itself, whatever lies over the page.
UNCOVERED = """(selector) => {
  const one = document.querySelector(selector);
  const { left, right, top, bottom } = one.getBoundingClientRect();
  const points = [[left + 12, top + 4], [right - 12, top + 4], [left + 12, bottom - 4], [right - 12, bottom - 4]];
  return points.every(([x, y]) => one.contains(document.elementFromPoint(x, y)));
}"""
# The pixels of a picture as gray values, as the browser draws it.
PIXELS = """async (selector) => {
  const picture = document.querySelector(selector);
  await picture.decode();
  const canvas = Object.assign(document.createElement("canvas"), { width: 464, height: 464 });
  const pen = canvas.getContext("2d");
  pen.drawImage(picture, 0, 0, 464, 464);
  return [...pen.getImageData(0, 0, 464, 464).data].filter((_, i) => i % 4 === 0);
}"""


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a replay of a flight that landed well."""
    home = tmp_path_factory.mktemp("home")
    station = Process(home, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        yield station.line(r"(http://\S+)")[1]
    finally:
        station.stop()


def at_find(browser: object, address: str, **context: object) -> object:
    """Give a phone's page at Find, the recording at its end."""
    page = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, **context).new_page()
    page.goto(address)
    page.locator('[data-testid="replay-banner"]').wait_for()
    go(page, "find")
    seek(page, "bar.max")
    eventually(lambda: said(page, "walk-title") in ("Walk to", "It lies"), 10)
    return page


def said(page: object, testid: str) -> str:
    return page.locator(f'#place-find [data-testid="{testid}"]').first.inner_text()


def test_what_may_be_live_is_the_first_text_and_above_the_arrow_without_scrolling(browser: object, calm: str) -> None:
    page = at_find(browser, calm)
    words = page.locator("#place-find").inner_text().removeprefix("Find")  # the place's own heading, for ears alone
    assert words.strip().startswith(DANGER)
    assert page.evaluate("scrollY") == 0 and page.evaluate(UNCOVERED, FULL)
    box, rose = (page.locator(one).bounding_box() for one in (FULL, '[data-testid="rose"]'))
    assert box["y"] + box["height"] <= rose["y"]
    # The walk is whole on the first screen too, above the bar of the replay.
    for testid in ("recovery-distance", "recovery-bearing", "recovery-basis", "officer-waits"):
        assert page.evaluate(UNCOVERED, f"[data-testid={testid}]"), testid
    assert "waits for the range officer" in said(page, "officer-waits")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


def test_the_line_is_not_covered_by_an_alarm_and_a_view_only_phone_sees_it(browser: object, tmp_path: Path) -> None:
    with Bench(tmp_path) as bench:
        phone = Desk(browser, bench.address, PHONE)
        phone.go("find")
        whole = re.sub("^4 motors", "4 motors, 2 recovery channels", DANGER)
        eventually(lambda: phone.text("find-danger") == whole, 10)
        assert phone.page.evaluate(UNCOVERED, FULL)
        bench.relay.unplug()
        eventually(lambda: phone.text("status-alarms") == "1", 20)
        assert phone.text("find-danger") == whole, "silence makes nothing safe"
        assert phone.page.evaluate(UNCOVERED, FULL), "an alarm lies over it"
        phone.page.context.close()


@pytest.mark.parametrize("name", ["calm", "gusty-bad-number", "thin-link"])
def test_one_landing_place_everywhere(browser: object, tmp_path: Path, name: str) -> None:
    """Find, the numbers of Learn, the summary and the report tell one distance and one bearing."""
    sample = ROOT / "replay_samples" / f"{name}.pcapng"
    station = Process(tmp_path, "replay", str(sample), "--no-browser", "--http-port", "0")
    try:
        address = station.line(r"(http://\S+?/)(?:$|\s)")[1]
        page = at_find(browser, address)
        landing = page.evaluate("document.querySelector('[data-testid=replay-scrub]').max")
        seek(page, f"{float(landing) - 4}")  # a little after it has landed, before the last word
        eventually(lambda: said(page, "walk-title") == "Walk to", 10)
        found = (said(page, "recovery-distance"), said(page, "recovery-bearing"))
        summary = json.loads(urllib.request.urlopen(f"{address}api/sessions/{name}/summary").read())
        report = urllib.request.urlopen(f"{address}api/sessions/{name}/report").read().decode()
        assert summary["whereabouts"].replace(", bearing ", " at ").replace(" deg", "\N{DEGREE SIGN}") in report
        go(page, "learn")
        # Wherever Learn keeps its numbers, unfolded or not.
        eventually(lambda: "Landing spot" in page.locator("#place-learn").text_content(), 10)
        learned = page.locator("#place-learn").text_content()
        places = [found]
        places += re.findall(r"(\d+ m) from the pad, bearing (\d{3}) deg", summary["whereabouts"])
        places += re.findall(r"Landing spot\s*(\d+ m) from the pad, bearing (\d{3})", learned)
        assert len(places) == 3, learned
        assert len({(far, toward.rstrip("\N{DEGREE SIGN}")) for far, toward in places}) == 1, places
    finally:
        station.stop()


def test_a_phone_reads_the_code_and_its_degrees_are_the_place_walked_to(browser: object, calm: str) -> None:
    """Read by ZXing; the way back by GeographicLib's geodesic (Karney), both independent of the station."""
    page = at_find(browser, calm)
    page.locator('[data-testid="place-code-button"]').click()
    page.locator('[data-testid="place-code"][src]').wait_for()
    gray = np.array(page.evaluate(PIXELS, '[data-testid="place-code"]'), dtype=np.uint8).reshape(464, 464)
    uri = zxingcpp.read_barcodes(gray)[0].text
    latitude, longitude = (float(part) for part in uri.removeprefix("geo:").split(","))
    assert uri == f"geo:{said(page, 'place-decimal').replace(' ', '')}"
    assert re.fullmatch(r"\d+\.\d{7} N \d+\.\d{7} W", said(page, "place-spoken"))
    way = Geodesic.WGS84.Inverse(*PAD_DEG, latitude, longitude)
    assert f"{way['s12']:.0f} m" == said(page, "recovery-distance")
    assert f"{way['azi1'] % 360:03.0f}\N{DEGREE SIGN}" == said(page, "recovery-bearing")


def test_the_place_is_copied_where_the_browser_allows_it_else_selected(browser: object, calm: str) -> None:
    page = at_find(browser, calm, permissions=["clipboard-read", "clipboard-write"])
    page.locator('[data-testid="place-copy"]').click()
    eventually(lambda: said(page, "place-said") == "Copied.", 5)
    assert page.evaluate("navigator.clipboard.readText()") == said(page, "place-decimal")
    other = at_find(browser, calm)
    other.evaluate("Object.defineProperty(navigator, 'clipboard', { value: undefined })")  # as over plain http
    other.locator('[data-testid="place-copy"]').click()
    eventually(lambda: said(other, "place-said").startswith("Selected"), 5)
    assert other.evaluate("getSelection().toString()").strip() == said(other, "place-decimal")


def test_the_way_from_where_one_stands_only_after_asking_for_it(browser: object, calm: str) -> None:
    place = json.loads(urllib.request.urlopen(f"{calm}api/sessions/calm/summary").read())["figures"]["recovery"]
    lies = (place["last_latitude_deg"], place["last_longitude_deg"])
    north = Geodesic.WGS84.Direct(*lies, 0.0, 120.0)
    where = {"latitude": north["lat2"], "longitude": north["lon2"], "accuracy": 8}
    page = at_find(browser, calm, geolocation=where, permissions=["geolocation"])
    assert page.locator('[data-testid="from-you"]:visible').count() == 0, "nothing before it is asked for"
    before = page.locator("#place-find .plan-walk").get_attribute("x1")
    page.locator('[data-testid="phone-place"]').click()
    eventually(lambda: page.locator('[data-testid="from-you"]:visible').count() == 1, 10)
    words = "From where you stand 120 m, 180\N{DEGREE SIGN} S; this phone knows its own place within 8 m"
    assert said(page, "from-you").startswith(words)
    assert said(page, "recovery-distance") == "70 m", "from the pad it is as far as it was"
    eventually(lambda: page.locator("#place-find .plan-person").count() == 1, 5)
    assert page.locator("#place-find .plan-walk").get_attribute("x1") != before
    assert page.locator('[data-testid="rose"]').get_attribute("aria-label") == "Arrow to 180 degrees, north is up"
    # Held with its top to the west (alpha counts counterclockwise), what lies south is to the left.
    page.evaluate("dispatchEvent(new DeviceOrientationEvent('deviceorientationabsolute', { absolute: true, alpha: 90 }))")
    eventually(lambda: "the top is where this phone points" in page.locator(".rose").get_attribute("aria-label"), 5)
    assert page.locator(".rose > g").get_attribute("transform") == "rotate(-270)"
    page.locator('[data-testid="phone-place"]').click()
    eventually(lambda: page.locator('[data-testid="from-you"]:visible').count() == 0, 5)
    eventually(lambda: page.locator("#place-find .plan-person").count() == 0, 5)


def test_a_phone_that_does_not_allow_it_and_plain_http_are_said(browser: object, calm: str) -> None:
    page = at_find(browser, calm)  # no permission given
    page.locator('[data-testid="phone-place"]').click()
    eventually(lambda: said(page, "phone-why").startswith("Not allowed"), 10)
    context = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]})
    context.add_init_script("Object.defineProperty(window, 'isSecureContext', { value: false })")
    plain = context.new_page()
    plain.goto(calm)
    plain.locator('[data-testid="replay-banner"]').wait_for()
    go(plain, "find")
    assert "not available over http" in said(plain, "phone-why")
    assert plain.locator('[data-testid="phone-place"]:visible').count() == 0


def test_no_way_is_shown_into_a_keep_out(browser: object, tmp_path: Path) -> None:
    """The small vehicle drifts 60 m east and 32 m south; spectators stand on the way there."""
    site = {
        "lat_deg": SITE_DEG[0],
        "lon_deg": SITE_DEG[1],
        "declination_deg": -2.0,
        "landmarks": [{"name": "barn", "east_m": 70, "north_m": 20}],
        "keep_out": [{"name": "spectators", "points": [[20, -30], [40, -30], [40, 0], [20, 0]]}],
    }
    file = recorded(tmp_path / "sessions", "unit-and-gnss", site=site)
    station = Process(tmp_path, "replay", str(file), "--no-browser", "--http-port", "0")
    try:
        page = at_find(browser, station.line(r"(http://\S+)")[1])
        assert said(page, "walk-title") == "It lies"
        why = "not straight: a keep-out (spectators) lies between; the range officer says the way"
        assert said(page, "walk-bar") == why
        # The plan is drawn a few times a second at most, so it may still be that of the moment before.
        eventually(lambda: said(page, "plan-way") == why, 5)
        eventually(lambda: page.locator("#place-find .plan-keep-out").count() == 1, 5)
        assert page.locator("#place-find .plan-walk").count() == 0
        assert page.locator(".needle").get_attribute("visibility") == "hidden"
        picture = page.locator("#place-find .plan-picture")
        eventually(lambda: why in picture.get_attribute("aria-label"), 5)
        assert "barn 73 m, 074" in picture.get_attribute("aria-label")
        assert "declination 2.0\N{DEGREE SIGN} W: a compass shows 12" in said(page, "place-north")
        assert said(page, "find-danger").startswith("This vehicle tells nothing of motors or charges")
        assert re.search(r"68 m", said(page, "recovery-distance"))
    finally:
        station.stop()
