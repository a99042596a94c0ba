"""The report: all of a flight in one file, nothing from outside, and no text of a session that is more than text."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from server.flight.digits import with_doubt
from server.flight.units import IMPERIAL, with_signs
from server.pad.sheet import ADVICE
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from server.review.moments import moments_of, shown
from server.review.report import report_html, report_name
from server.review.review import Review, open_review
from server.review.summary import summarize
from server.review.verdict import verdict_of
from tests.server.flights import dictionary, flown, recorded
from tests.server.pad.pad_world import HOSTILE as PAD_HOSTILE
from tests.server.pad.test_record import journal
from tests.server.recording.sessions import fixed_entropy
from tests.server.shelf.test_shelf import short_flight

HOSTILE = "<img src=http://elsewhere.example/x onerror=alert(1)></table><script>alert(2)</script>\"'&"


class Seen(HTMLParser):
    """Collects tags, attributes and texts."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        """Note a tag."""
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        """Note a text."""
        self.text += data + " "


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """A gusty flight."""
    return open_review(recorded(tmp_path_factory.mktemp("r"), flown("gusty-rail")))


def test_the_way_down_is_told_in_stages_with_their_doubt(review: Review) -> None:
    text = Seen(report_html(review)).text
    (stage,) = summarize(review)["figures"]["descent"]["stages"]
    assert "Descent" in text and f"{stage['kind']} {with_doubt(stage['rate_m_s'], stage['sigma_m_s'])} m/s" in text
    assert f"{with_doubt(stage['rate_m_s'], stage['sigma_m_s'])} m/s from" in text
    assert " m/s at the ground" in text


def test_everything_is_in_it(review: Review) -> None:
    html = report_html(review, {"label": "Maiden", "notes": "wind\nfrom the west"})
    seen, summary = Seen(html), summarize(review)
    for heading in ("Findings", "Flight", "In numbers", "Pictures", "From the side", "From above", "Vehicle and site",
                    "Pad sheet", "Commands", "Events"):  # fmt: skip
        assert heading in seen.text
    for strip in ("Height above the pad, m", "Climb rate, m/s", "Tilt from the vertical, \u00b0", "Roll rate, \u00b0/s",
                  "Force along the nose, m/s\u00b2", "Battery voltage, V", "Packets lost over ten seconds, %",
                  "Downlink level, dBm"):  # fmt: skip
        assert strip in seen.text
    assert html.count("<svg") == 4 and "nothing was heard" not in html
    told = [with_signs(words) for finding in summary["findings"] for words in (finding["text"], finding["advice"])]
    assert told and all(words in seen.text for words in told)
    assert with_signs(verdict_of(review)) in seen.text
    top = with_doubt(summary["apogee"]["height_m"], summary["figures"]["apogee"]["sigma_m"])
    fastest = summary["figures"]["greatest_speed"]
    assert f"{top} m" in seen.text and with_doubt(fastest["speed_m_s"], fastest["sigma_m_s"]) in seen.text
    assert "Maiden" in seen.text and "from the west" in seen.text
    assert "Mossbank Field" in seen.text and "invented" in seen.text and "rail length" in seen.text
    assert "None was asked for." in seen.text
    keys = set(re.findall(r"[a-z]+(?:_[a-z0-9]+)+", seen.text))
    assert keys <= {"q_w", "q_x", "q_y", "q_z", "rate_x", "rate_y", "rate_z"}, "no internal key where a person reads"


def test_feet_where_a_person_reads_feet(review: Review) -> None:
    summary = summarize(review)
    text = Seen(report_html(review, None, IMPERIAL)).text
    assert (
        f"apogee at {IMPERIAL.meters_doubted(summary['apogee']['height_m'], summary['figures']['apogee']['sigma_m'])}"
        in text
    )
    assert "Height above the pad, ft" in text and "Climb rate, mph" in text and "Height above the pad, m" not in text


def test_nothing_from_outside_and_no_script(review: Review) -> None:
    html = report_html(review)
    seen = Seen(html)
    assert not {"script", "link", "img", "iframe", "object", "base", "a", "form"} & set(seen.tags)
    assert not [name for name, _ in seen.attributes if name.startswith("on") or name in ("href", "src", "style")]
    outside = set(re.findall(r"[a-z]+://[^\s\"'<]+", html))
    assert outside == {"http://www.w3.org/2000/svg"}, "a name of a namespace, never fetched"
    assert "url(" not in html and "@import" not in html and "@media print" in html
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'") in seen.attributes


def test_no_text_of_a_session_becomes_markup(tmp_path: Path) -> None:
    clock = FakeClock()
    header = make_header(
        clock, software=Software(HOSTILE), dictionary=dictionary().text, vehicle={"name": HOSTILE, HOSTILE: HOSTILE},
        site={"name": HOSTILE, "list": [HOSTILE]}, source=HOSTILE, entropy=fixed_entropy,
    )  # fmt: skip
    recorder = Recorder(tmp_path, "x", header, clock=clock)
    for t, chunk in short_flight().chunks:
        recorder.append(Kind.RECEIVED, header.monotonic_ns + round(t * 1e9), chunk)
    now = header.monotonic_ns
    view = {"id": 1, **dict.fromkeys(("title", "args_text", "operator", "hazard", "state_text"), HOSTILE)}
    recorder.append(Kind.OUTCOME, now, {"key": "1", "severity": HOSTILE, "text": HOSTILE, "body": view})
    recorder.append(Kind.MARK, now, {"key": "2", "severity": "info", "text": HOSTILE, "body": {}})
    review = open_review(recorder.close())
    plain = Seen(report_html(open_review(recorded(tmp_path, short_flight(), "plain"))))
    seen = Seen(report_html(review, {"label": HOSTILE, "notes": HOSTILE}))
    assert seen.text.count(HOSTILE) >= 12
    assert set(seen.tags) <= set(plain.tags) | {"pre", "th"} and "script" not in seen.tags
    assert {name for name, _ in seen.attributes} <= {name for name, _ in plain.attributes}


def test_a_session_that_never_flew_and_one_without_sheets(tmp_path: Path) -> None:
    html = report_html(open_review(recorded(tmp_path, short_flight(), vehicle={}, site={})))
    assert "Seconds of the recording." in html and html.count("No sheet was given.") == 2


def test_moments_are_in_order_of_flight(review: Review) -> None:
    times = list(moments_of(summarize(review)).values())
    assert len(times) >= 5 and times == sorted(times)


def test_roles_are_shown_in_their_display_units(review: Review) -> None:
    t, values, unit = shown(review, "ground.tilt")
    assert unit == "deg" and values.max() > 20.0 and (t[1:] > t[:-1]).all()
    assert shown(review, "no.such.role") is None


def test_the_name_it_is_saved_under(review: Review) -> None:
    assert report_name(review) == "report-20250615-150640.html"


def test_the_pad_sheet_stands_in_it_as_it_was_at_lift_off(review: Review) -> None:
    assert "No pad sheet was shown in this session." in report_html(review)
    flown = replace(review, output=replace(review.output, entries=[*review.output.entries, *journal()]))
    seen = Seen(report_html(flown))
    assert "As it stood at lift-off: 1 not met, 1 open of 4." in seen.text and ADVICE in seen.text
    assert "Ada 1, 2026-06-15T15:00:00Z" in seen.text and "at most 8.94 m/s" in seen.text
    assert PAD_HOSTILE in seen.text and "img" not in seen.tags, "an item's text is text"
