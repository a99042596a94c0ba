"""Tracks: the same places as told by independent readers, and valid against the published schemas.

KML: the OGC schema of KML 2.2 and the extension schema from which KML 2.3 took its Track, both as the package fastkml
carries them, checked by lxml (libxml2). KML 2.3 adds to what is used here only the version's attribute and Track in the
main namespace; the test moves these two back to where the 2.2 schemas have them. GPX: read by gpxpy, which checks the
order and types of GPX 1.1 on its own; the order of elements is also compared with the schema's sequences, written out
below from the published gpx.xsd (from memory).
"""

from __future__ import annotations

from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from lxml import etree

from server.flight.descent.geodesy import Geodetic, seen_from
from server.review.review import Review, heard, open_review
from server.review.track import NoTrack, Track, track_of
from server.review.tracks import GPX, KML, gpx, kml
from tests.server.flights import flown, recorded
from tests.server.shelf.test_shelf import short_flight

SITE = Geodetic(40.0, -100.0, 620.0)
# The sequences of gpxType, metadataType, wptType, trkType and trksegType.
ORDER = {
    "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
    "metadata": ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"],
    "wpt": ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix", "sat"],
    "trkpt": ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix", "sat"],
    "trk": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "trkseg"],
    "trkseg": ["trkpt", "extensions"],
}
ATTRIBUTES = {"wpt": {"lat", "lon"}, "trkpt": {"lat", "lon"}, "bounds": {"minlat", "minlon", "maxlat", "maxlon"}}


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """A flight with one state vector that is not a number."""
    return open_review(recorded(tmp_path_factory.mktemp("t"), flown("bad-number")))


@pytest.fixture(scope="module")
def track(review: Review) -> Track:
    """Its track."""
    return track_of(review)


def schemas() -> Path:
    """Return the folder of the schemas that come with fastkml."""
    return Path(next(iter(find_spec("fastkml").submodule_search_locations))) / "schema"


def schema(name: str = "ogckml22.xsd") -> etree.XMLSchema:
    """Return a schema of those that come with fastkml."""
    return etree.XMLSchema(etree.parse(schemas() / name))


def as_kml_22(data: bytes) -> etree._Element:
    """Return a KML 2.3 document with its Track in the namespace that the 2.2 schemas know it in."""
    root = etree.fromstring(data)
    extension = etree.parse(schemas() / "kml22gx.xsd").getroot().get("targetNamespace")
    assert root.tag == f"{{{KML}}}kml" and root.attrib.pop("version") == "2.3"
    for tag in ("Track", "coord"):
        for element in list(root.iter(f"{{{KML}}}{tag}")):
            element.tag = f"{{{extension}}}{tag}"
    return root


def test_kml_is_valid(track: Track) -> None:
    root = as_kml_22(kml(track))
    checker = schema()
    assert checker.validate(root), checker.error_log
    extension = schema("kml22gx.xsd")
    assert extension.validate(root), extension.error_log
    next(root.iter(f"{{{KML}}}altitudeMode")).text = "sideways"
    assert not checker.validate(root), "the schema does look"


def test_gpx_keeps_the_schemas_order_and_attributes(track: Track) -> None:
    root = etree.fromstring(gpx(track))
    for element in root.iter():
        name = etree.QName(element)
        assert name.namespace == GPX
        children = [etree.QName(child).localname for child in element]
        places = [ORDER[name.localname].index(child) for child in children] if children else []
        assert places == sorted(places), name
        if name.localname != "gpx":
            assert set(element.attrib) == ATTRIBUTES.get(name.localname, set())
    assert root.get("version") == "1.1" and root.get("creator") == "Blockhouse"


def test_an_independent_reader_finds_the_flight_where_it_was(review: Review, track: Track) -> None:
    read = gpxpy.parse(gpx(track).decode())
    (only,) = read.tracks
    (segment,) = only.segments
    assert only.name == "Sandpiper" and len(segment.points) == len(track.points)
    t, east = heard(review, "position.east")
    north, up = (heard(review, f"position.{axis}")[1] for axis in ("north", "up"))
    for point, ours in list(zip(segment.points, track.points, strict=True))[::50]:
        here = seen_from(SITE, Geodetic(point.latitude, point.longitude, point.elevation))
        row = int(np.searchsorted(t, ours.t))
        assert here == pytest.approx((east[row], north[row], up[row]), abs=0.012)
    assert {w.name for w in read.waypoints} == {"lift-off", "apogee", "landing"}
    highest = max(point.elevation for point in segment.points)
    assert highest - 620.0 == pytest.approx(flown("bad-number").truth["apogee_m"], rel=0.02)
    # The recording began at 15:06:40 UTC together with the twin.
    lift_off = next(w for w in read.waypoints if w.name == "lift-off").time
    begun = lift_off.replace(year=2025, month=6, day=15, hour=15, minute=6, second=40, microsecond=0)
    assert lift_off - begun == pytest.approx(
        timedelta(seconds=flown("bad-number").truth["liftoff_s"]), abs=timedelta(seconds=0.2)
    )


def test_kml_holds_the_same_line_and_times(track: Track) -> None:
    root = etree.fromstring(kml(track))
    text = root.find(f".//{{{KML}}}LineString/{{{KML}}}coordinates").text
    line = [tuple(map(float, triple.split(","))) for triple in text.split()]
    coords = [tuple(map(float, c.text.split())) for c in root.iter(f"{{{KML}}}coord")]
    whens = [when.text for when in root.find(f".//{{{KML}}}Track").iter(f"{{{KML}}}when")]
    assert line == coords and len(whens) == len(track.points) == len(line)
    assert whens == sorted(whens) and len(set(whens)) == len(whens)
    assert line[0] == pytest.approx(
        (track.points[0].longitude_deg, track.points[0].latitude_deg, track.points[0].height_m), abs=0.01
    )


def test_what_is_no_number_is_left_out_and_the_pad_wait_too(review: Review, track: Track) -> None:
    assert all(np.isfinite([p.latitude_deg, p.longitude_deg, p.height_m]).all() for p in track.points)
    lift_off = dict(track.moments)["lift-off"].t
    assert track.points[0].t == pytest.approx(lift_off - 5.0, abs=0.2)
    assert len(track.points) > 100


def test_names_of_any_letters_are_only_text(track: Track) -> None:
    odd = Track("<b>&\"'", "]]> &amp; ü", track.points[:3], track.moments[:1])
    for data in (kml(odd), gpx(odd)):
        names = [element.text for element in etree.fromstring(data).iter() if etree.QName(element).localname == "name"]
        assert any(name.startswith("<b>&\"'") for name in names)
    assert gpxpy.parse(gpx(odd).decode()).description == "]]> &amp; ü"


@pytest.mark.parametrize(
    "site", [{}, {"lat_deg": "40", "lon_deg": 3}, {"lat_deg": 91.0, "lon_deg": 0}, None, {"lat_deg": True}]
)
def test_without_a_site_there_is_no_track(tmp_path: Path, site: object) -> None:
    review = open_review(recorded(tmp_path, short_flight(), site=site))
    with pytest.raises(NoTrack, match="no latitude and longitude"):
        track_of(review)


def test_without_a_position_there_is_no_track(review: Review) -> None:
    bare = Review(review.session, review.dictionary, review.output)
    rows = review.output.rows.pop("navigation")
    try:
        with pytest.raises(NoTrack, match="holds no position"):
            track_of(bare)
    finally:
        review.output.rows["navigation"] = rows
