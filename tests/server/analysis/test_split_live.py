"""Sensors in packets of their own: live, packet by packet, tells the same as the recording whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.dictionary_file import parse_dictionary
from server.analysis.pipeline import recorded_output
from server.design.sheet_numbers import SheetNumbers
from server.recording.records import Record
from server.recording.session_file import open_session
from tests.server.analysis import layouts
from tests.server.analysis.layouts import AIR, FORCE, LAYOUTS, RATES, STATE, Layout, of
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output

CUTS: dict[str, Layout] = {
    "each sensor": LAYOUTS["each sensor in a packet of its own"],
    "an axis": {
        **{**AIR, **STATE, **{f"only_{role[-1]}": (50.0, of(role)) for role in FORCE}},
        **{"turns": (50.0, of(*RATES)), "front": (25.0, of("fin[1].measured")), "back": (20.0, of("fin[left].measured"))},
    },
}


@pytest.mark.parametrize("cut", CUTS)
def test_live_and_recorded_are_the_same_however_it_is_cut(cut: str, tmp_path: Path) -> None:
    session = open_session(layouts.recorded(CUTS[cut], layouts.trial("ordinary"), tmp_path))
    shift_ns = ORIGIN_NS - session.header.origin_monotonic_ns
    records = [Record(one.kind, one.sequence, one.mono_ns + shift_ns, one.payload) for one in session.records]
    facts = SheetNumbers(rail_length_m=1.0)
    dictionary = parse_dictionary(layouts.dictionary_text(CUTS[cut]), "a layout")
    whole = recorded_output(dictionary, records, ORIGIN_NS, facts)
    assert_same(live_output(dictionary, records, facts), whole)
    figures = {entry.key: entry.body for entry in whole.entries if entry.topic == "figure"}
    assert figures["roll"]["authority_per_pa_rad"] is not None
