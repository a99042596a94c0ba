"""The flight as a track on the map: KML (OGC 12-007r2, KML 2.3) and GPX 1.1 (its schema at topografix, GPX/1/1).

Positions are those the vehicle sent (roles position.east, .north, .up), put on WGS 84 at the site's latitude, longitude
and elevation. A moment's UTC is the vehicle's clock laid so that its quickest packet took no time: within some tens of
milliseconds. Both forms want times that ascend; what is not a number is left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import numpy as np

from server.flight.descent.geodesy import Geodetic, moved
from server.problems import Problem
from server.review.moments import moments_of
from server.review.review import Review, heard
from server.review.summary import summarize
from server.timestamps import NS_PER_S

KML = "http://www.opengis.net/kml/2.2"  # KML 2.3 keeps the namespace of 2.2
GPX = "http://www.topografix.com/GPX/1/1"
XSI = "http://www.w3.org/2001/XMLSchema-instance"
GPX_SCHEMA = f"{GPX} {GPX}/gpx.xsd"
BEFORE_S, AFTER_S = 5.0, 5.0
HIGHEST_M = 1e5
POSITION = ("position.east", "position.north", "position.up")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# What XML 1.0 (fifth edition, production 2) has no form for.
_NO_CHARACTER = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


class NoTrack(Problem):
    """There is no track to write; the text is one plain sentence."""


@dataclass(frozen=True)
class Point:
    """One place of the track: timeline t (s), UTC, degrees, meters above the sea."""

    t: float
    utc: datetime
    latitude_deg: float
    longitude_deg: float
    height_m: float


@dataclass(frozen=True)
class Track:
    """A flight's track, and its moments (lift-off, apogee, landing) as (name, point)."""

    name: str
    description: str
    points: tuple[Point, ...]
    moments: tuple[tuple[str, Point], ...]


def track_of(review: Review) -> Track:
    """Return the track of a session from shortly before lift-off to shortly after landing, or of all of it if it never
    flew. Raises NoTrack."""
    origin = _site(review)
    axes = [axis for role in POSITION if (axis := heard(review, role)) is not None]
    if len(axes) < len(POSITION):
        raise NoTrack("This session holds no position, so there is no track.")
    t = axes[0][0]
    # The three are mostly of one packet; where they are not, they are brought to the first one's times.
    local = np.column_stack([values if len(own_t) == len(t) else np.interp(t, own_t, values) for own_t, values in axes])
    moments = moments_of(summarize(review))
    marks = {name: moments[name] for name in ("lift-off", "apogee", "landing") if name in moments}
    kept = np.isfinite(local).all(axis=1)
    kept &= np.abs(np.where(np.isfinite(local), local, np.inf)).max(axis=1) < 1e6
    if "lift-off" in marks:
        kept &= t >= marks["lift-off"] - BEFORE_S
    if "landing" in marks:
        kept &= t <= marks["landing"] + AFTER_S
    if not kept.any():
        raise NoTrack("This session holds no position that is a number, so there is no track.")
    shift = _utc_shift(review)
    points = tuple(
        _point(origin, shift, at, *place) for at, place in zip(t[kept].tolist(), local[kept].tolist(), strict=True)
    )
    times = np.array([point.t for point in points])
    marked = tuple((name, points[int(np.abs(times - at).argmin())]) for name, at in marks.items())
    invented = " Invented: a simulated vehicle." if review.session.header.vehicle.get("simulated") else ""
    return Track(_text(review.dictionary.vehicle), _text(f"Session {review.name}.{invented}"), points, marked)


def _site(review: Review) -> Geodetic:
    site = review.session.header.site
    latitude, longitude = (_number_within(site.get(key), most) for key, most in (("lat_deg", 90.0), ("lon_deg", 180.0)))
    if latitude is None or longitude is None:
        raise NoTrack(
            "The site sheet of this session gives no latitude and longitude (lat_deg, lon_deg), so there is no track."
        )
    return Geodetic(latitude, longitude, _number_within(site.get("elevation_m"), HIGHEST_M) or 0.0)


def _number_within(value: object, most: float) -> float | None:
    """Return a sheet's value if it is a number of at most that size, else None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= most:
        return None
    return float(value)


def _utc_shift(review: Review) -> float:
    """Return what to add to a timeline second to have seconds since 1970, UTC."""
    delays = [
        rows.rx_s - rows.t for name, rows in review.output.rows.items() if name in review.dictionary.packets and len(rows)
    ]
    least = min(float(delay.min()) for delay in delays)
    return review.session.utc_ns(review.session.header.origin_monotonic_ns) / NS_PER_S + least


def _point(origin: Geodetic, shift: float, t: float, east: float, north: float, up: float) -> Point:
    place = moved(origin, east, north, up)
    utc = _EPOCH + timedelta(milliseconds=round(1000.0 * (t + shift)))
    return Point(t, utc, place.latitude_deg, place.longitude_deg, place.height_m)


# ---------------------------------------------------------------- KML


def kml(track: Track) -> bytes:
    """Return a track as a KML 2.3 document: the path as a line and with its times, the moments as points."""
    root = ElementTree.Element("kml", {"xmlns": KML, "version": "2.3"})
    document = _add(root, "Document")
    _add(document, "name", track.name)
    _add(document, "description", track.description)
    style = _add(document, "Style", id="path")
    line = _add(style, "LineStyle")
    _add(line, "color", "ff2a6fdb")  # aabbggrr
    _add(line, "width", "3")
    path = _feature(document, f"{track.name}: path")
    _add(path, "styleUrl", "#path")
    string = _add(path, "LineString")
    _add(string, "altitudeMode", "absolute")
    _add(string, "coordinates", " ".join(_coordinates(point, ",") for point in track.points))
    timed = _feature(document, f"{track.name}: in time")
    _add(timed, "styleUrl", "#path")
    timed = _add(timed, "Track")
    _add(timed, "altitudeMode", "absolute")
    for point in track.points:
        _add(timed, "when", _utc(point))
    for point in track.points:
        _add(timed, "coord", _coordinates(point, " "))
    for name, point in track.moments:
        place = _feature(document, name)
        stamp = _add(place, "TimeStamp")
        _add(stamp, "when", _utc(point))
        at = _add(place, "Point")
        _add(at, "altitudeMode", "absolute")
        _add(at, "coordinates", _coordinates(point, ","))
    return _document(root)


def _feature(document: ElementTree.Element, name: str) -> ElementTree.Element:
    placemark = _add(document, "Placemark")
    _add(placemark, "name", name)
    return placemark


def _coordinates(point: Point, between: str) -> str:
    return between.join([f"{point.longitude_deg:.8f}", f"{point.latitude_deg:.8f}", f"{point.height_m:.2f}"])


# ---------------------------------------------------------------- GPX


def gpx(track: Track) -> bytes:
    """Return a track as a GPX 1.1 document: the moments as waypoints, the flight as one track of one segment."""
    root = ElementTree.Element(
        "gpx",
        {"xmlns": GPX, "xmlns:xsi": XSI, "xsi:schemaLocation": GPX_SCHEMA, "version": "1.1", "creator": "Blockhouse"},
    )
    metadata = _add(root, "metadata")
    _add(metadata, "name", track.name)
    _add(metadata, "desc", track.description)
    _add(metadata, "time", _utc(track.points[0]))
    latitudes = [point.latitude_deg for point in track.points]
    longitudes = [point.longitude_deg for point in track.points]
    corners = {"minlat": min(latitudes), "minlon": min(longitudes), "maxlat": max(latitudes), "maxlon": max(longitudes)}
    _add(metadata, "bounds", **{name: f"{value:.8f}" for name, value in corners.items()})
    for name, point in track.moments:
        _add(_place(root, "wpt", point), "name", name)
    flown = _add(root, "trk")
    _add(flown, "name", track.name)
    segment = _add(flown, "trkseg")
    for point in track.points:
        _place(segment, "trkpt", point)
    return _document(root)


def _place(parent: ElementTree.Element, tag: str, point: Point) -> ElementTree.Element:
    place = _add(parent, tag, lat=f"{point.latitude_deg:.8f}", lon=f"{point.longitude_deg:.8f}")
    _add(place, "ele", f"{point.height_m:.2f}")
    _add(place, "time", _utc(point))
    return place


# ---------------------------------------------------------------- both


def _add(parent: ElementTree.Element, tag: str, text: str | None = None, **attributes: str) -> ElementTree.Element:
    element = ElementTree.SubElement(parent, tag, attributes)
    element.text = text
    return element


def _utc(point: Point) -> str:
    """Return xsd:dateTime in UTC with milliseconds."""
    return point.utc.strftime("%Y-%m-%dT%H:%M:%S.") + f"{point.utc.microsecond // 1000:03d}Z"


def _text(text: str) -> str:
    return _NO_CHARACTER.sub("\N{REPLACEMENT CHARACTER}", text)


def _document(root: ElementTree.Element) -> bytes:
    ElementTree.indent(root, " ")
    written: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"
