"""A newcomer's log: its columns are found, the draft loads, and what it sends is judged as a flight by the station."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.dictionary_file import parse_dictionary
from server.recording.session_header import Software
from server.review.review import open_review
from server.workbench.dictionary_draft import draft_from_logs
from server.workbench.log_flight import record_log
from tests.server.logs.logged_shapes import BURN_S, PAD_S, SHAPES, Shape, flown
from tests.server.logs.stranger_shapes import STRANGER


def judged(shape: Shape, folder: Path) -> str:
    """Return what is wrong with a shape's judged flight, "" for nothing."""
    draft = draft_from_logs(shape.write(folder))
    dictionary = parse_dictionary(draft.text)
    review = open_review(record_log(draft, draft.text, folder / "sessions", Software("test")))
    moments = {entry.key: entry.body for entry in review.output.entries if entry.topic == "moment"}
    out = []
    zero = review.output.rows[next(iter(dictionary.packets))].t[0]
    truth = flown()
    lift_off, apogee, landing = (moments.get(name) for name in ("lift_off", "apogee", "landing"))
    if lift_off is None or abs(lift_off["t"] - zero - truth.lift_off_s) > (0.1 if shape.has_force else 1.0):
        out.append(f"lift-off {lift_off}")
    if apogee is None or abs(apogee["height_m"] / truth.apogee_m - 1.0) > 0.02:
        out.append(f"apogee {apogee}")
    if landing is None or abs(landing["t"] - zero - truth.landing_s) > 5.0:
        out.append(f"landing {landing}")
    if "burnout" in moments and abs(moments["burnout"]["t"] - zero - PAD_S - BURN_S) > 0.2:
        out.append(f"burnout {moments.get('burnout')}")
    return "; ".join([*out, *(draft.unknown if out else [])])


@pytest.mark.parametrize("shape", (*SHAPES, *STRANGER), ids=lambda one: one.name)
def test_a_log_of_this_shape_gives_a_dictionary_with_which_its_flight_is_judged(shape: Shape, tmp_path: Path) -> None:
    assert judged(shape, tmp_path) == ""
