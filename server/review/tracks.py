"""The flight as a track on the map: KML (OGC 12-007r2, KML 2.3) and GPX 1.1 (its schema at topografix, GPX/1/1).

Both forms want times that ascend; what is not a number is left out (`track`).
"""

from __future__ import annotations

from xml.etree import ElementTree

from server.review.track import Point, Track

KML = "http://www.opengis.net/kml/2.2"  # KML 2.3 keeps the namespace of 2.2
GPX = "http://www.topografix.com/GPX/1/1"
XSI = "http://www.w3.org/2001/XMLSchema-instance"
GPX_SCHEMA = f"{GPX} {GPX}/gpx.xsd"


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


def _document(root: ElementTree.Element) -> bytes:
    ElementTree.indent(root, " ")
    written: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"
