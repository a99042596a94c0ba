"""The wind measured at the pad: what is computed works with it, live and replayed alike, and says where it comes from."""

from __future__ import annotations

from math import inf, nan

import pytest

from server.analysis.pipeline import Output, Pipeline, recorded_output
from server.design.next_flight import next_flight
from server.design.pad_wind import PadWind, wind_at_lift_off, wind_of
from server.recording.records import Kind, Record, encode_note
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output
from tests.server.flights import FACTS, SHEETS, dictionary, flown

AT = "2025-06-15T14:02:31Z"
SPOKEN = "measured at the pad, 6.6 m/s, entered at 14:02 UTC"


def entered(at_s: float, number: object, by: str = "Ada 1", **more: object) -> Record:
    """A person's word about the wind, as the pad sheet notes it; `by` is empty where the tick is gone."""
    body = {"standing": "met", "number": number, "by": by, "at": AT, "measures": "site.wind", **more}
    note = {"topic": "pad_sheet", "key": "item wind", "severity": "info", "text": "", "body": body}
    return Record(Kind.NOTE, 0, ORIGIN_NS + round(at_s * 1e9), encode_note(note))


def with_notes(*notes: Record) -> list[Record]:
    """A flight's records with notes where they came, until the flight is judged."""
    every = [*flown("gusty-rail").records(ORIGIN_NS), *notes]
    return sorted((one for one in every if one.mono_ns < ORIGIN_NS + 30e9), key=lambda one: one.mono_ns)


def rail(output: Output) -> dict[str, object]:
    """The last word about the rail."""
    return [e.body for e in output.entries if (e.topic, e.key) == ("figure", "rail_exit")][-1]


def both(*notes: Record) -> Output:
    """What a flight with notes leads to, the same live and replayed."""
    records = with_notes(*notes)
    live = live_output(dictionary(), records, FACTS)
    assert_same(live, recorded_output(dictionary(), records, ORIGIN_NS, FACTS))
    return live


def test_the_wind_entered_at_the_pad_goes_before_the_sheets_and_says_so() -> None:
    output = both(entered(2.003, 2.0), entered(5.003, 6.6))
    assert rail(output)["wind_m_s"] == 6.6 and rail(output)["wind_source"] == SPOKEN
    found = [e.text for e in output.entries if (e.topic, e.key) == ("finding", "pitched_over")][-1]
    assert found.endswith(f"degrees to the air with the wind {SPOKEN}")


@pytest.mark.parametrize(
    "notes",
    [
        (),
        (entered(5.003, 6.6), entered(6.003, None, by="")),  # taken back
        (entered(20.0, 6.6),),  # in the air: it is another moment's wind
        (entered(5.003, 6.6, measures="humidity"),),
        (entered(5.003, 66.0),),  # no wind that anybody launches in
        (entered(5.003, True),),
        (entered(5.003, "6.6"),),
    ],
)
def test_without_one_that_stood_at_lift_off_the_sheets_wind_counts(notes: tuple[Record, ...]) -> None:
    body = rail(both(*notes))
    assert body["wind_m_s"] == FACTS.wind_m_s and "wind_source" not in body


def test_a_station_started_anew_between_the_word_and_the_flight_still_has_it() -> None:
    for broken_s in (5.0035, 7.0):  # with no frame after the word, and with some
        records = with_notes(entered(5.003, 6.6))
        kept = [one for one in records if one.mono_ns < ORIGIN_NS + broken_s * 1e9]
        pipeline = Pipeline(dictionary(), ORIGIN_NS, FACTS)
        entries = list(pipeline.take_up(kept).entries)
        for record in records[len(kept) :]:
            entries += pipeline.take(record).entries
        assert rail(Output({}, entries))["wind_source"] == SPOKEN


def test_the_next_flight_is_foretold_in_it() -> None:
    calm = next_flight(SHEETS.vehicle, SHEETS.site, {})
    windy = next_flight(SHEETS.vehicle, SHEETS.site, {}, None, PadWind(6.6, AT))
    assert windy["as_it_is"]["wind_m_s"] == 6.6 and windy["sources"]["wind"] == SPOKEN
    assert windy["as_it_is"]["angle_of_attack_rad"] > calm["as_it_is"]["angle_of_attack_rad"]
    assert calm["sources"]["wind"] == "the site's sheet"


@pytest.mark.parametrize("number", [None, True, nan, inf, -1.0, 41.0, "3", [3]])
def test_what_is_no_wind_is_not_told(number: object) -> None:
    assert wind_of({"by": "Ada 1", "number": number, "at": AT}) is None


def test_a_lift_off_that_was_taken_back_was_none() -> None:
    def item(number: float) -> tuple[str, str, dict[str, object]]:
        return "pad_sheet", "item wind", {"measures": "site.wind", "by": "Ada 1", "number": number, "at": 7}

    left, back = ("moment", "lift_off", {"t": 4.0}), ("moment", "lift_off", {"withdrawn": True})
    assert wind_at_lift_off([item(3.0), left, item(4.0)]) == PadWind(3.0, "")
    assert wind_at_lift_off([item(3.0), left, back, item(4.0)]) == PadWind(4.0, "")
    assert wind_at_lift_off([]) is None
