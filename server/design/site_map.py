"""What lies about the pad by the site's sheet: landmarks, keep-outs, roads, wires and the edge of the field.

Everything becomes meters east and north of the pad. The sheet writes a point as a pair of such meters, as
`{ east_m = .., north_m = .. }` or as `{ lat_deg = .., lon_deg = .. }`; or it names a GeoJSON file (RFC 7946) whose features
say by a property `kind` what they are. A keep-out's holes stay kept out. Nothing here says that a way is free: only what
is declared is known.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from server.flight.descent.geodesy import Geodetic, seen_from

FARTHEST_M = 100_000.0
LEAST_ACROSS_M = 1.0  # what is smaller was written in other units
PARTS_AT_MOST, POINTS_AT_MOST, NAME_AT_MOST = 200, 2000, 60
FILE_AT_MOST = 1_000_000
PAIR = "a pair of meters [east, north], { east_m, north_m } or { lat_deg, lon_deg }"
LISTS = {"keep_out": 3, "roads": 2, "wires": 2}
"""Each list of shapes and the least count of points of one."""
KINDS = {
    "landmark": ("landmarks", ("Point",)),
    "keep_out": ("keep_out", ("Polygon", "MultiPolygon")),
    "road": ("roads", ("LineString", "MultiLineString")),
    "wires": ("wires", ("LineString", "MultiLineString")),
    "boundary": ("boundary", ("Polygon",)),
}
"""What a GeoJSON feature's `kind` becomes, and the geometries it may have."""

Point = tuple[float, float]


class MapFault(ValueError):
    """A site's map that cannot be used, as half a sentence: "gives ..."."""


@dataclass(frozen=True)
class Landmark:
    """A named place, meters from the pad."""

    name: str
    east: float
    north: float


@dataclass(frozen=True)
class MapShape:
    """A ring or a line of points (east, north) in meters from the pad; the name may be empty."""

    name: str
    points: tuple[Point, ...]


@dataclass(frozen=True)
class SiteMap:
    """Everything declared of a site; `boundary` is the edge of the field."""

    landmarks: tuple[Landmark, ...] = ()
    keep_out: tuple[MapShape, ...] = ()
    roads: tuple[MapShape, ...] = ()
    wires: tuple[MapShape, ...] = ()
    boundary: tuple[Point, ...] | None = None


def site_map_of(site: Mapping[str, object]) -> SiteMap:
    """Return what a site's sheet declares; raises MapFault with the key and what it should be."""
    pad = _pad_of(site)
    declination = site.get("declination_deg", 0.0)
    if not _is_number(declination, 180.0):
        raise MapFault(f"gives declination_deg = {_short(declination)}; it is in degrees, east positive (-180 to 180)")
    shapes = {name: _shapes(name, site.get(name, []), least, pad) for name, least in LISTS.items()}
    boundary = site.get("boundary")
    return SiteMap(
        landmarks=tuple(_landmark(one, pad) for one in _listed("landmarks", site.get("landmarks", []))),
        **shapes,
        boundary=None if boundary is None else _points("boundary", boundary, 3, pad),
    )


def map_shape(site: Mapping[str, object]) -> dict[str, object]:
    """Return a site's map for the page, all keys there; of one that cannot be read the `problem`, so no way is shown."""
    try:
        found = site_map_of(site)
    except MapFault as problem:
        return {"problem": f"the site's sheet {problem}"}
    return {
        "landmarks": [{"name": one.name, "east": one.east, "north": one.north} for one in found.landmarks],
        "keep_out": _told(found.keep_out),
        "roads": _told(found.roads),
        "wires": _told(found.wires),
        "boundary": None if found.boundary is None else [list(point) for point in found.boundary],
    }


def with_map_file(site: Mapping[str, object], folder: Path | None) -> dict[str, object]:
    """Return a site's sheet with what its `map_file` tells in place, since a session keeps the whole sheet.

    Raises MapFault. The file lies beside the sheet, in `folder`.
    """
    name = site.get("map_file")
    if name is None:
        return dict(site)
    if not isinstance(name, str) or folder is None:
        raise MapFault(f"gives map_file = {_short(name)}; it is the name of a GeoJSON file beside the sheet")
    file = folder / name
    try:
        with file.open("r", encoding="utf-8") as source:
            text = source.read(FILE_AT_MOST + 1)
        collection: object = json.loads(text) if len(text) <= FILE_AT_MOST else None
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or "it holds no JSON"
        raise MapFault(f"names the map file {name}, which cannot be read: {reason}") from error
    merged = {**site}
    for key, value in _features(name, collection):
        if key == "boundary":
            if merged.get(key) is not None:
                raise MapFault(f"names the map file {name}, which gives a second boundary")
            merged[key] = value
        else:
            merged[key] = [*_listed(key, merged.get(key, [])), value]
    return merged


def _pad_of(site: Mapping[str, object]) -> Geodetic | None:
    latitude, longitude = site.get("lat_deg"), site.get("lon_deg")
    if isinstance(latitude, int | float) and isinstance(longitude, int | float):
        return Geodetic(float(latitude), float(longitude), 0.0)
    return None


def _told(shapes: tuple[MapShape, ...]) -> list[dict[str, object]]:
    return [{"name": one.name, "points": [list(point) for point in one.points]} for one in shapes]


def _short(value: object) -> str:
    return repr(value)[:40]


def _is_number(value: object, most: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value) and abs(value) <= most


def _listed(key: str, value: object) -> list[object]:
    if not isinstance(value, list) or len(value) > PARTS_AT_MOST:
        raise MapFault(f"gives {key} = {_short(value)}; it is a list of at most {PARTS_AT_MOST}")
    return value


def _name(key: str, value: object) -> str:
    if not isinstance(value, str) or len(value) > NAME_AT_MOST:
        raise MapFault(f"gives {key} a name = {_short(value)}; it is a text of at most {NAME_AT_MOST} letters")
    return value


def _point(key: str, value: object, pad: Geodetic | None) -> Point:
    """Return a point of the sheet in meters from the pad."""
    if isinstance(value, Mapping) and set(value) == {"lat_deg", "lon_deg"}:
        latitude, longitude = value["lat_deg"], value["lon_deg"]
        if not (_is_number(latitude, 90.0) and _is_number(longitude, 180.0)):
            raise MapFault(f"gives {key} a point {_short(value)}; its degrees are -90 to 90 north and -180 to 180 east")
        if pad is None:
            raise MapFault(f"gives {key} in degrees, which needs the pad's own lat_deg and lon_deg")
        east, north, _ = seen_from(pad, Geodetic(float(latitude), float(longitude), 0.0))
    else:
        is_named = isinstance(value, Mapping) and set(value) == {"east_m", "north_m"}
        pair = [value["east_m"], value["north_m"]] if isinstance(value, Mapping) and is_named else value
        if not isinstance(pair, list) or len(pair) != 2 or not all(_is_number(one, FARTHEST_M) for one in pair):
            raise MapFault(f"gives {key} a point {_short(value)}; it is {PAIR}")
        east, north = float(pair[0]), float(pair[1])
    if max(abs(east), abs(north)) > FARTHEST_M:
        raise MapFault(f"gives {key} a point {_short(value)}, more than {FARTHEST_M / 1000:.0f} km from the pad")
    return east, north


def _points(key: str, value: object, least: int, pad: Geodetic | None) -> tuple[Point, ...]:
    if not isinstance(value, list) or not least <= len(value) <= POINTS_AT_MOST:
        raise MapFault(f"gives {key} = {_short(value)}; one is a list of {least} to {POINTS_AT_MOST} points, each {PAIR}")
    points = tuple(_point(key, one, pad) for one in value)
    across = max(max(axis) - min(axis) for axis in zip(*points, strict=True))
    if across < LEAST_ACROSS_M:
        raise MapFault(f"gives {key} something smaller than a meter; pairs are meters east and north of the pad")
    return points


def _shapes(key: str, value: object, least: int, pad: Geodetic | None) -> tuple[MapShape, ...]:
    return tuple(_shape(key, one, least, pad) for one in _listed(key, value))


def _shape(key: str, value: object, least: int, pad: Geodetic | None) -> MapShape:
    if isinstance(value, Mapping):
        if not {"points"} <= set(value) <= {"name", "points"}:
            raise MapFault(f"gives {key} {_short(value)}; one is a list of points, or {{ name, points }}")
        return MapShape(_name(key, value.get("name", "")), _points(key, value["points"], least, pad))
    return MapShape("", _points(key, value, least, pad))


def _landmark(value: object, pad: Geodetic | None) -> Landmark:
    if not isinstance(value, Mapping) or "name" not in value:
        raise MapFault(
            f"gives landmarks {_short(value)}; one is {{ name, east_m, north_m }} or {{ name, lat_deg, lon_deg }}"
        )
    rest = {key: one for key, one in value.items() if key != "name"}
    return Landmark(_name("landmarks", value["name"]), *_point("landmarks", rest, pad))


# ---------------------------------------------------------------- GeoJSON


def _features(name: str, collection: object) -> Iterator[tuple[str, object]]:
    """Yield (key of the sheet, value) of every feature of a GeoJSON feature collection (RFC 7946, section 3.3)."""
    features = collection.get("features") if isinstance(collection, dict) else None
    if not isinstance(collection, dict) or collection.get("type") != "FeatureCollection" or not isinstance(features, list):
        raise MapFault(f"names the map file {name}, which holds no GeoJSON FeatureCollection")
    for number, feature in enumerate(features, 1):
        properties = feature.get("properties") if isinstance(feature, dict) else None
        geometry = feature.get("geometry") if isinstance(feature, dict) else None
        kind = properties.get("kind") if isinstance(properties, dict) else None
        if not isinstance(properties, dict) or not isinstance(geometry, dict) or kind not in KINDS:
            known = ", ".join(KINDS)
            raise MapFault(f"names the map file {name}, whose feature {number} is of kind {_short(kind)}, not {known}")
        key, allowed = KINDS[str(kind)]
        if geometry.get("type") not in allowed:
            raise MapFault(
                f"names the map file {name}, whose feature {number} ({kind}) is a {geometry.get('type')}, "
                f"not a {' or '.join(allowed)}"
            )
        title = properties.get("name", "")
        for shape in _parts(f"{name}, feature {number}", str(geometry["type"]), geometry.get("coordinates")):
            if key == "landmarks":
                yield key, {"name": title, **_degrees(name, shape)}
            else:
                points = [_degrees(name, one) for one in _coordinates(name, shape)]
                yield key, points if key == "boundary" else {"name": title, "points": points}


def _parts(where: str, kind: str, coordinates: object) -> Iterator[object]:
    """Yield the lines, outer rings or the point of a geometry (RFC 7946, section 3.1)."""
    members = _coordinates(where, coordinates) if kind.startswith("Multi") else [coordinates]
    for member in members:
        if not kind.endswith("Polygon"):
            yield member
            continue
        rings = _coordinates(where, member)
        ring = _coordinates(where, rings[0]) if rings else []
        yield ring[:-1] if len(ring) > 1 and ring[0] == ring[-1] else ring


def _coordinates(where: str, value: object) -> list[object]:
    if not isinstance(value, list) or not value:
        raise MapFault(f"names the map file {where}, whose coordinates are {_short(value)}")
    return value


def _degrees(name: str, position: object) -> dict[str, object]:
    """Return a GeoJSON position, longitude first, as the sheet writes it."""
    if not isinstance(position, list) or not 2 <= len(position) <= 3:
        raise MapFault(f"names the map file {name}, which gives a position {_short(position)}; it is [longitude, latitude]")
    return {"lat_deg": position[1], "lon_deg": position[0]}
