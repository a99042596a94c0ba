"""From meters east, north, up of the pad to latitude and longitude, on the WGS 84 ellipsoid.

East, north, up is the topocentric frame of EPSG Guidance Note 7-2, method 9837, geocentric coordinates method 9602; the
way back to latitude by B. R. Bowring's formula (Survey Review 23, 1976; from memory), which is good to well under a
millimeter near the ground. Constants: tests/SOURCES.md, wgs-84. Angles are degrees, bearings clockwise from true north.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin, sqrt

SEMI_MAJOR_M = 6378137.0
FLATTENING = 1.0 / 298.257223563
SEMI_MINOR_M = SEMI_MAJOR_M * (1.0 - FLATTENING)
_E2 = FLATTENING * (2.0 - FLATTENING)
_E2_SECOND = _E2 / (1.0 - _E2)

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Geodetic:
    """A place: latitude and longitude (degrees), height over the ellipsoid (m)."""

    latitude_deg: float
    longitude_deg: float
    height_m: float


def to_geocentric(place: Geodetic) -> Triple:
    """Return geocentric X, Y, Z (m), WGS 84. Source: EPSG Guidance Note 7-2, method 9602."""
    lat, lon = radians(place.latitude_deg), radians(place.longitude_deg)
    normal = SEMI_MAJOR_M / sqrt(1.0 - _E2 * sin(lat) ** 2)
    level = (normal + place.height_m) * cos(lat)
    return level * cos(lon), level * sin(lon), (normal * (1.0 - _E2) + place.height_m) * sin(lat)


def from_geocentric(x: float, y: float, z: float) -> Geodetic:
    """Return the place of geocentric X, Y, Z (m), WGS 84; longitude from -180 to 180. Source: Bowring 1976 (from memory)."""
    level = hypot(x, y)
    reduced = atan2(z * SEMI_MAJOR_M, level * SEMI_MINOR_M)
    lat = atan2(
        z + _E2_SECOND * SEMI_MINOR_M * sin(reduced) ** 3,
        level - _E2 * SEMI_MAJOR_M * cos(reduced) ** 3,
    )
    normal = SEMI_MAJOR_M / sqrt(1.0 - _E2 * sin(lat) ** 2)
    # This form of the height loses nothing at the poles.
    height = level * cos(lat) + z * sin(lat) - SEMI_MAJOR_M**2 / normal
    return Geodetic(degrees(lat), degrees(atan2(y, x)), height)


def moved(origin: Geodetic, east_m: float, north_m: float, up_m: float) -> Geodetic:
    """Return the place at east, north, up (m) in the tangent plane of an origin. Source: EPSG Guidance 7-2, method 9837."""
    lat, lon = radians(origin.latitude_deg), radians(origin.longitude_deg)
    x, y, z = to_geocentric(origin)
    out = up_m * cos(lat) - north_m * sin(lat)
    return from_geocentric(
        x + out * cos(lon) - east_m * sin(lon),
        y + out * sin(lon) + east_m * cos(lon),
        z + up_m * sin(lat) + north_m * cos(lat),
    )


def seen_from(origin: Geodetic, place: Geodetic) -> Triple:
    """Return east, north, up (m) of a place in the tangent plane of an origin, the inverse of `moved`."""
    lat, lon = radians(origin.latitude_deg), radians(origin.longitude_deg)
    x, y, z = (a - b for a, b in zip(to_geocentric(place), to_geocentric(origin), strict=True))
    out = x * cos(lon) + y * sin(lon)
    return y * cos(lon) - x * sin(lon), z * cos(lat) - out * sin(lat), out * cos(lat) + z * sin(lat)


def bearing_deg(east_m: float, north_m: float) -> float:
    """Return the bearing (degrees) of a point east, north (m) in the tangent plane, 0 to 360, clockwise from true north."""
    return degrees(atan2(east_m, north_m)) % 360.0
