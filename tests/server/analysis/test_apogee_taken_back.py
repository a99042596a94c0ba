"""An apogee told wrong is taken back with everything judged of it, and told anew; live as in the replay."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from server.analysis.pipeline import Pipeline, recorded_output
from server.review.review import open_review
from tests.accuracy.ensemble.motion import Floats
from tests.accuracy.recorded.radio import heard, record
from tests.accuracy.recorded.told import Heard
from tests.server.analysis.outside import FAST, _logged, air_packet, flown, pressures, told

FLIGHT = flown("single", **FAST | {"drogue_m_s": 12.0})
AT_S = FLIGHT.moments["lift_off"] + 6.0


def swollen() -> Floats:
    """Return pressures (Pa) of a port that reads up to 700 m too high in the coast, and right again within seconds."""
    t = FLIGHT.t
    more = np.interp(t, [AT_S, AT_S + 2.0, AT_S + 4.4], [0.0, 700.0, 0.0])
    air = pressures(FLIGHT)
    return air * (1.0 - more * 9.80665 / (287.053 * 278.0))


@pytest.fixture(scope="module")
def corrected() -> Heard:
    return told(FLIGHT, [air_packet(swollen())])


def test_a_wrong_apogee_is_taken_back_and_told_anew(corrected: Heard) -> None:
    """Seen: the first one stayed, with its figures, while the heights rose by another kilometer."""
    moments = [e for e in corrected.review.output.entries if (e.topic, e.key) == ("moment", "apogee")]
    assert [bool(e.body.get("withdrawn")) for e in moments] == [False, True, False]
    wrong, back, right = moments
    assert back.severity == "caution" and back.text.startswith(f"taken back: {wrong.text}")
    assert right.number("height_m") == pytest.approx(FLIGHT.moments["apogee"], rel=0.01)
    assert corrected.summary["apogee"] == {"height_m": round(right.number("height_m"), 3), "t": round(right.number("t"), 3)}
    assert corrected.figure("apogee")["t"] == right.number("t")
    phases = [one["phase"] for one in corrected.summary["phases"]]
    assert phases[-4:] == ["descent", "coast", "descent", "landed"]


def test_what_was_judged_of_it_goes_with_it(corrected: Heard) -> None:
    entries = corrected.review.output.entries
    back_at = next(i for i, e in enumerate(entries) if e.topic == "moment" and e.body.get("withdrawn"))
    judged = {e.key for e in entries[:back_at] if e.topic == "figure"} - {"lift_off", "pad_sensors"}
    gone = {e.key for e in entries if e.topic == "figure" and e.body.get("withdrawn")}
    assert {"apogee", "greatest_speed"} <= gone <= judged
    assert all(not body.get("withdrawn") for body in corrected.summary["figures"].values())
    assert [text for text in corrected.findings() if "ballistic" in text or "nothing slowed" in text] == []


def test_packet_by_packet_tells_the_same() -> None:
    sent = _logged(FLIGHT, [air_packet(swollen())], {}, {}).sent(1)
    frames = heard(sent.frames, 0.0, np.random.default_rng(1))
    with TemporaryDirectory() as folder:
        review = open_review(record(Path(folder), sent, frames))
        records, origin = list(review.session.records), review.session.header.origin_monotonic_ns
        pipeline = Pipeline(review.dictionary, origin)
        live = [entry for one in records for entry in pipeline.take(one).entries]
        whole = recorded_output(review.dictionary, records, origin).entries
    assert any(entry.body.get("withdrawn") for entry in live)
    assert sorted(map(repr, live)) == sorted(map(repr, whole))
