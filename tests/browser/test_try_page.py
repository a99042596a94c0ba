"""Trying things out, and the strips, in a real browser: charts, search, reading, measuring, the order of trials."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from server.review.review import open_review
from tests.browser.station import ROOT, Process, eventually, page_of

CALM = ROOT / "replay_samples" / "calm.pcapng"
SIZES = [(1366, 768), (1280, 720)]
TALL = (1366, 1100)  # room for phases and events above the strips too
FITS = """(selector) => {
  const panel = document.querySelector(selector);
  const scroller = panel.querySelector(".strips-scroller").getBoundingClientRect();
  const axis = panel.querySelector(".strips-axis").getBoundingClientRect();
  const box = panel.querySelector(".strips-scroller");
  const main = document.getElementById("main").getBoundingClientRect();
  return { inner: box.scrollHeight - box.clientHeight, strips: panel.querySelectorAll(".strip canvas").length,
    axis: axis.height, ticks: [...panel.querySelectorAll(".axis-tick")].filter((one) => one.textContent).length,
    above: axis.top - scroller.bottom, spare: panel.getBoundingClientRect().bottom - axis.bottom,
    room: main.height - panel.getBoundingClientRect().height };
}"""
LABELS = """(selector) => [...document.querySelectorAll(`${selector} .lane-event`)].map((one) => {
  const { left, right, top, bottom } = one.getBoundingClientRect();
  return { left, right, top, bottom, text: one.textContent };
})"""


@pytest.fixture
def operators_link(tmp_path: Path) -> Iterator[str]:
    """A demonstration that stays on the pad; gives the operator's link."""
    demo = Process(tmp_path, "demo", "--no-browser", "--http-port", "0", "--ignite-after", "100000")
    yield demo.line(r"(http://\S+#operator=\S+)")[1]
    demo.stop()


@pytest.fixture
def replayed(tmp_path: Path) -> Iterator[str]:
    """A replay of the calm flight; gives its address."""
    replay = Process(tmp_path, "replay", str(CALM), "--no-browser", "--http-port", "0")
    yield replay.line(r"Page: (http://\S+)")[1]
    replay.stop()


class Person:
    """Somebody at the page who counts what they do."""

    def __init__(self, page: object) -> None:
        self.page = page
        self.acts = 0

    def click(self, what: object) -> None:
        what.click()
        self.acts += 1

    def type(self, what: object, text: str) -> None:
        what.fill(text)
        self.acts += 1

    def see(self, testid: str) -> object:
        return self.page.locator(f'[data-testid="{testid}"]:visible')


def legends(page: object) -> list[list[str]]:
    """The names in each chart of the Try place."""
    charts = page.locator("#place-try .picked .strip:visible")
    return [charts.nth(i).locator(".series-name").all_inner_texts() for i in range(charts.count())]


def test_three_channels_stand_in_one_chart_after_two_acts(operators_link: str, browser: object) -> None:
    with page_of(browser) as page:
        page.goto(operators_link)
        person = Person(page)
        person.click(person.see("place-try"))
        person.click(person.see("chart-group").filter(has_text=re.compile("Gyro a$")))
        eventually(lambda: len(legends(page)) == 1)
        assert legends(page) == [["Rate about body x", "Rate about body y", "Rate about body z"]]
        assert person.acts == 2
        # The button says what it does now, and does it.
        assert person.see("chart-group").filter(has_text="\u2212 Gyro a").get_attribute("aria-pressed") == "true"
        person.see("chart-group").filter(has_text="Gyro a").click()
        eventually(lambda: legends(page) == [])


def test_any_channels_stand_together_by_search(operators_link: str, browser: object) -> None:
    with page_of(browser) as page:
        page.goto(operators_link)
        person = Person(page)
        person.click(person.see("place-try"))
        person.type(person.see("channel-filter"), "rssi")
        eventually(lambda: person.see("channel-count").inner_text() == "2 of 146")
        assert "link.level" in page.locator(".channel-path:visible").all_inner_texts()
        person.click(person.see("chart-found"))
        person.type(person.see("channel-filter"), "battery voltage")
        row = page.locator(".channel-row:visible").filter(has_text="power.battery_voltage")
        person.click(row.locator('[data-testid="chart-same"]'))
        eventually(lambda: len(legends(page)) == 1 and len(legends(page)[0]) == 3)
        assert person.acts == 5
        # Another unit has a scale of its own, which is said; and what is charted offers only to be taken out.
        eventually(lambda: " to " in page.locator("#place-try .series-scale").last.inner_text())
        assert row.locator("button:visible").all_inner_texts()[1:] == ["\u2212 from the chart"]
        row.locator('[data-testid="chart-off"]').click()
        eventually(lambda: len(legends(page)[0]) == 2)


@pytest.mark.parametrize(
    ("words", "path"), [("dBm", "link.level"), ("lean", "ground_motion.tilt"), ("amps", "fins.bus_current")]
)
def test_a_search_knows_units_and_what_people_call_it(operators_link: str, browser: object, words: str, path: str) -> None:
    with page_of(browser) as page:
        page.goto(operators_link)
        person = Person(page)
        person.see("place-try").click()
        person.see("channel-filter").fill(words)
        eventually(lambda: path in " ".join(page.locator(".channel-path:visible").all_inner_texts()))
        assert page.locator(".channel-row:visible").count() < 20
        person.see("channel-filter").fill("nobody says this")
        eventually(lambda: person.see("channel-count").inner_text() == "nothing is called so")


def test_favorites_stay_in_the_browser(operators_link: str, browser: object) -> None:
    with page_of(browser) as page:
        page.goto(operators_link)
        person = Person(page)
        person.see("place-try").click()
        person.see("channel-filter").fill("bus voltage")
        page.locator(".channel-row:visible .star").first.click()
        page.reload()
        person.see("place-try").click()
        person.see("channel-favorites").click()
        eventually(lambda: page.locator(".channel-path:visible").all_inner_texts() == ["fins.bus_voltage"])


def at_home(page: object, address: str) -> object:
    """Open the replay at Learn, the strips in view; return them."""
    page.goto(address)
    page.locator('[data-testid="replay-banner"]').wait_for()
    whole = page.locator("#place-learn .whole")
    eventually(lambda: whole.locator(".strip canvas").count() >= 2)
    whole.scroll_into_view_if_needed()
    return whole


def height_at(t: float) -> float:
    """Height (m) that the station computed last at or before a second after lift-off."""
    review = open_review(CALM)
    rows = review.output.rows["ground_vertical"]
    moments = [entry.body["t"] for entry in review.output.entries if entry.topic == "moment" and entry.key == "lift_off"]
    times = np.asarray(rows.t) - moments[-1]
    return float(rows.columns["height"][int(np.searchsorted(times, t, side="right")) - 1])


def reading(whole: object) -> str:
    return whole.locator('[data-testid="strips-reading"]').inner_text()


def value(whole: object, strip: int) -> float:
    return float(whole.locator(".strip").nth(strip).locator(".series-value").first.inner_text().replace("\u2212", "-"))


def test_the_pointer_reads_all_strips_and_a_second_cursor_the_difference(replayed: str, browser: object) -> None:
    with page_of(browser) as page:
        whole = at_home(page, replayed)
        strip = whole.locator(".u-over").last.bounding_box()

        def point(x: float) -> float:
            page.mouse.move(strip["x"] + x, strip["y"] + strip["height"] / 2)
            eventually(lambda: re.match(r"at T[+\u2212][\d.]+ s$", reading(whole)))
            return float(reading(whole).replace("\u2212", "-")[4:-2])

        early, late = point(170.0), 0.0
        first = value(whole, 0)
        assert first == pytest.approx(height_at(early), abs=0.06), "the height, while the pointer is over another strip"
        late = point(320.0)
        second = value(whole, 0)
        assert second == pytest.approx(height_at(late), abs=0.06) and abs(second - first) > 5

        page.keyboard.down("Shift")
        page.mouse.click(strip["x"] + 170.0, strip["y"] + strip["height"] / 2)
        page.keyboard.up("Shift")
        page.mouse.move(strip["x"] + 320.0, strip["y"] + strip["height"] / 2)
        eventually(lambda: reading(whole).endswith(" s, differences"))
        told = float(re.search(r": ([\d.]+) s, differences$", reading(whole))[1])
        assert told == pytest.approx(late - early, abs=0.011)
        assert value(whole, 0) == pytest.approx(second - first, abs=0.11)
        # By touch there is no Shift: a button waits for the place, and takes the second cursor away.
        page.locator('#place-learn [data-testid="strips-measure"]').click()
        page.mouse.move(5, 5)
        eventually(lambda: reading(whole) == "")
        page.locator('#place-learn [data-testid="strips-measure"]').click()
        page.mouse.click(strip["x"] + 170.0, strip["y"] + strip["height"] / 2)
        eventually(lambda: "differences" in reading(whole))


@pytest.mark.parametrize(("width", "height"), [*SIZES, TALL])
def test_strips_fit_with_their_axis_and_labels_apart(replayed: str, browser: object, width: int, height: int) -> None:
    with page_of(browser) as page:
        page.set_viewport_size({"width": width, "height": height})
        at_home(page, replayed)
        seen = page.evaluate(FITS, "#place-learn .whole")
        assert seen["inner"] <= 0, "nothing to scroll inside"
        assert seen["strips"] >= 2 and seen["axis"] > 10 and seen["ticks"] >= 3
        assert seen["above"] >= -0.5 and seen["spare"] >= 0, "the axis stands below the strips, inside the panel"
        assert seen["room"] >= 0, "the whole of it can be seen at once"
        labels = page.evaluate(LABELS, "#place-learn .whole")
        has_room = page.locator("#place-learn .whole .strips-lane").is_visible()
        assert not has_room or {"lift-off", "apogee"} <= {one["text"] for one in labels}
        for i, one in enumerate(labels):
            for other in labels[i + 1 :]:
                apart = one["right"] <= other["left"] or other["right"] <= one["left"]
                assert apart or one["bottom"] <= other["top"] or other["bottom"] <= one["top"], (one, other)


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_charts_picked_by_hand_fit_too(operators_link: str, browser: object, width: int, height: int) -> None:
    with page_of(browser) as page:
        page.set_viewport_size({"width": width, "height": height})
        page.goto(operators_link)
        page.locator('[data-testid="place-try"]').click()
        page.locator('[data-testid="chart-group"]').filter(has_text="Gyro a").click()
        page.locator('[data-testid="chart-group"]').filter(has_text="Fins asked").click()
        eventually(lambda: page.locator("#place-try .picked canvas").count() == 2)
        seen = page.evaluate(FITS, "#place-try .picked")
        assert seen["inner"] <= 0 and seen["ticks"] >= 2 and seen["above"] >= -0.5 and seen["spare"] >= 0
        assert (
            page.evaluate("document.getElementById('main').scrollHeight - document.getElementById('main').clientHeight") <= 0
        )


def test_a_flag_goes_to_the_moment_of_its_finding(tmp_path: Path, browser: object) -> None:
    sample = ROOT / "replay_samples" / "gusty-bad-number.pcapng"
    replay = Process(tmp_path, "replay", str(sample), "--no-browser", "--http-port", "0")
    try:
        with page_of(browser) as page:
            page.set_viewport_size({"width": TALL[0], "height": TALL[1]})
            whole = at_home(page, replay.line(r"Page: (http://\S+)")[1])
            flags = whole.locator('[data-testid="finding-flag"]')
            eventually(lambda: flags.count() == 3)
            assert "leaned 54\N{DEGREE SIGN}" in flags.first.get_attribute("aria-label")
            flags.nth(1).click()
            eventually(lambda: "T+00:05.0" in page.locator('[data-testid="status-clock"]').inner_text())
    finally:
        replay.stop()


def test_the_fins_are_seen_from_the_tail(operators_link: str, browser: object) -> None:
    with page_of(browser) as page:
        page.goto(operators_link)
        page.locator('[data-testid="place-try"]').click()
        tail = page.locator('[data-testid="tail"]')
        eventually(lambda: (tail.get_attribute("aria-label") or "").count(", asked 0.0") == 4)
        assert tail.locator(".tail-is").count() == 4
        assert page.locator("#place-try .part").count() == 9, "three cameras, four motors, two chutes"


def test_the_least_dangerous_trial_is_offered_first(operators_link: str, browser: object) -> None:
    with page_of(browser) as page:
        page.goto(operators_link)
        page.locator('[data-testid="place-try"]').click()
        plan = page.locator('[data-testid="trial-plan"]:visible')
        eventually(lambda: plan.count() == 1 and plan.input_value() == "link-ping")
        values = plan.locator("option").evaluate_all("(all) => all.map((one) => one.value)")
        assert values[-1] == "arm-fire-safe" and values.index("fin-sweep") < values.index("arm-safe")
        assert plan.locator("optgroup").evaluate_all("(all) => all.map((one) => one.label)") == [
            "Routine",
            "Guarded",
            "Hazardous",
        ]
        eventually(lambda: "Not run before" in page.locator('[data-testid="trial-history"]').inner_text())
