"""Tracks of vehicles without a navigation of their own: from the receiver's fixes, else a sentence why there is none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import nan

import gpxpy
import numpy as np
import pytest
from lxml import etree

from server.flight.descent.geodesy import Geodetic, seen_from
from server.review.review import Review
from server.review.track import NoTrack, track_of
from server.review.tracks import KML, gpx, kml
from tests.accuracy.ensemble.motion import Floats
from tests.server.analysis.layouts import AIR, LAYOUTS, SITE, UNIT, Layout, of, told_by, trial
from tests.server.review.test_tracks import as_kml_22, schema

PAD = Geodetic(SITE["lat_deg"], SITE["lon_deg"], 0.0)
RECEIVER_M, OFF_M = 48.0, 4.0  # what it counts from, and five of its sigmas
PLACE = of("gnss.latitude", "gnss.longitude")


@cache
def reviewed(*more: str, site: bool = False, fix: float = 3.0, lost_s: float = 0.0) -> Review:
    """Return the heavy flight as a vehicle with a barometer and some of a receiver's words tells it.

    Its fix is of that kind, and lost for so many seconds around the top.
    """
    one = trial("dual")
    away = np.abs(one.flight.t - one.flight.moments["apogee_time"]) < lost_s / 2.0
    signals = {**one.signals, "gnss.fix": np.where(away, 0.0, fix)}
    layout: Layout = {**AIR, "gnss": (5.0, (*PLACE, *of(*more)))}
    return told_by(layout, replace(one, signals=signals), site=SITE if site else {}).review


def truth_at(t: float) -> tuple[float, float, float]:
    """Return where it truly was (m east, north, up) when a fix of a time (timeline s) was made, a tenth before."""
    one = trial("dual")

    def at(values: Floats) -> float:
        return float(np.interp(t - 3.0 - 0.1, one.flight.t, values))

    return at(one.east_m), at(one.north_m), at(one.flight.up_m)


def test_a_receivers_fixes_make_a_track_without_any_sheet() -> None:
    """Seen: "This session holds no position" with fixes in the dictionary and in every row."""
    track = track_of(reviewed("gnss.height", "gnss.fix"))
    assert len(track.points) > 200 and [name for name, _ in track.moments] == ["lift-off", "apogee", "landing"]
    for point in track.points[::10]:
        here = seen_from(PAD, Geodetic(point.latitude_deg, point.longitude_deg, point.height_m))
        assert np.abs(np.subtract(here, truth_at(point.t)) - (0.0, 0.0, RECEIVER_M)).max() < OFF_M
    assert "as its GNSS receiver tells" in track.description
    root = as_kml_22(kml(track))
    for name in ("ogckml22.xsd", "kml22gx.xsd"):
        checker = schema(name)
        assert checker.validate(root), checker.error_log
    (read,) = gpxpy.parse(gpx(track).decode()).tracks
    assert len(read.segments[0].points) == len(track.points)
    assert len(list(etree.fromstring(kml(track)).iter(f"{{{KML}}}coord"))) == len(track.points)


def test_a_place_without_a_height_takes_the_barometers() -> None:
    above, over_sea = (track_of(reviewed(site=told)) for told in (False, True))
    for point in above.points[::10]:
        assert point.height_m == pytest.approx(truth_at(point.t + 0.1)[2], abs=OFF_M)
    assert "over the pad" in above.description
    assert "over the sea, by the barometer" in over_sea.description


def test_a_top_without_a_fix_is_not_put_elsewhere() -> None:
    """Seen while writing it: the apogee on the fix that came next, four seconds later."""
    assert [name for name, _ in track_of(reviewed("gnss.fix", lost_s=8.0)).moments] == ["lift-off", "landing"]


def test_without_a_place_the_reason_is_true() -> None:
    one = trial("dual")
    silent = replace(one, signals={**one.signals, "gnss.latitude": np.full(len(one.flight.t), nan)})
    cases: dict[str, Review] = {
        r"dictionary has neither position\.\* nor gnss\.latitude and gnss\.longitude": told_by(AIR | UNIT, one).review,
        "receiver had no fix": reviewed("gnss.fix", fix=0.0),
        "no place that is a number": told_by({**AIR, "gnss": (5.0, PLACE)}, silent).review,
        "no latitude and longitude": told_by(
            {key: value for key, value in LAYOUTS["attitude in a packet of its own"].items() if key != "rates"}, one, site={}
        ).review,
    }
    for words, review in cases.items():
        with pytest.raises(NoTrack, match=words):
            track_of(review)


def test_a_receiver_helps_a_navigation_that_nobody_gave_a_site() -> None:
    layout = {**LAYOUTS["attitude in a packet of its own"], "gnss": (5.0, PLACE)}
    assert "GNSS" in track_of(told_by(layout, trial("dual"), site={}).review).description
    assert "GNSS" not in track_of(told_by(layout, trial("dual")).review).description
