"""WGS 84 against tests/SOURCES.md, wgs-84, pyproj and geographiclib."""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import Transformer

from server.flight.descent.geodesy import (
    SEMI_MINOR_M,
    Geodetic,
    bearing_deg,
    from_geocentric,
    moved,
    seen_from,
    to_geocentric,
)

PAD = Geodetic(40.0, -105.0, 1655.0)


def test_the_derived_constant() -> None:
    assert pytest.approx(6356752.314245, abs=1e-6) == SEMI_MINOR_M


@pytest.mark.parametrize(
    ("place", "xyz"),
    [
        ((0, 0, 0), (6378137.0, 0.0, 0.0)),
        ((90, 0, 0), (0.0, 0.0, 6356752.3142)),
        ((45, 45, 1000), (3194919.1451, 3194919.1451, 4488055.5156)),
        ((40, -105, 1655), (-1266654.0407, -4727217.2356, 4079049.3857)),
        ((-33.8688, 151.2093, 58), (-4646093.4773, 2553229.5358, -3534404.7109)),
        ((0, 179.9999, 0), (-6378137.0, 11.1319, 0.0)),
    ],
)
def test_geocentric_rows(place: tuple, xyz: tuple) -> None:
    """tests/SOURCES.md, geocentric (computed with pymap3d and pyproj)."""
    assert to_geocentric(Geodetic(*place)) == pytest.approx(xyz, abs=1e-4)


@pytest.mark.parametrize(
    ("place", "enu"),
    [
        ((40.001, -105.0, 1655), (0.0, 111.064, -0.001)),
        ((40.0, -104.999, 1655), (85.416, 0.0, -0.001)),
        ((40.0, -104.990, 1655), (854.160, 0.048, -0.057)),
        ((39.995, -104.993, 2505), (598.035, -555.368, 849.948)),
        ((40.020, -105.020, 4655), (-1708.623, 2222.513, 2999.384)),
    ],
)
def test_tangent_plane_rows(place: tuple, enu: tuple) -> None:
    """tests/SOURCES.md, tangent-plane (computed with pymap3d and pyproj)."""
    assert seen_from(PAD, Geodetic(*place)) == pytest.approx(enu, abs=6e-4)
    back = moved(PAD, *seen_from(PAD, Geodetic(*place)))
    assert (back.latitude_deg, back.longitude_deg, back.height_m) == pytest.approx(place, abs=1e-7)


def test_bearing() -> None:
    assert bearing_deg(598.035, -555.368) == pytest.approx(132.8815, abs=1e-4)
    assert [bearing_deg(*point) for point in ((0, 1), (1, 0), (0, -1), (-1, 0))] == pytest.approx([0, 90, 180, 270])


def test_the_way_back_agrees_with_pyproj() -> None:
    transformer = Transformer.from_crs("EPSG:4978", "EPSG:4979")
    rng = np.random.default_rng(1)
    for _ in range(200):
        origin = Geodetic(rng.uniform(-89.9, 89.9), rng.uniform(-180.0, 180.0), rng.uniform(-100.0, 4000.0))
        place = moved(origin, *rng.uniform(-5000.0, 5000.0, 3))
        xyz = to_geocentric(place)
        lat, lon, height = transformer.transform(*xyz)
        found = from_geocentric(*xyz)
        assert found.latitude_deg == pytest.approx(lat, abs=1e-9)
        assert (found.longitude_deg - lon + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-8)
        assert found.height_m == pytest.approx(height, abs=1e-4)


def test_distance_and_bearing_agree_with_the_geodesic() -> None:
    """Up to 3 km from a pad at sea level the tangent plane and the geodesic differ by millimeters."""
    origin = Geodetic(40.0, -100.0, 0.0)
    rng = np.random.default_rng(2)
    for _ in range(100):
        east, north = rng.uniform(-2000.0, 2000.0, 2)
        down = -(east**2 + north**2) / (2 * 6371008.771)  # the ground falls away below the plane
        place = moved(origin, east, north, down)
        line = Geodesic.WGS84.Inverse(40.0, -100.0, place.latitude_deg, place.longitude_deg)
        assert np.hypot(east, north) == pytest.approx(line["s12"], abs=0.01)
        assert bearing_deg(east, north) == pytest.approx(line["azi1"] % 360.0, abs=1e-3)
