"""What lies about the pad: the sheet's points and a GeoJSON file become meters, and what is no map is one sentence."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pyproj import Transformer

from server.design.sheet_files import load_sheets
from server.design.site_map import MapFault, map_shape, site_map_of
from server.problems import SettingsProblem

PAD = {"lat_deg": 40.0, "lon_deg": -100.0}
TRIANGLE = [[10, 10], [20, 10], [20, 30]]


def test_points_in_meters_stand_as_written() -> None:
    found = site_map_of(
        {
            "landmarks": [{"name": "barn", "east_m": 120, "north_m": -60}],
            "keep_out": [TRIANGLE, {"name": "pond", "points": [{"east_m": 1, "north_m": 2}, [3, 9], [5, 2]]}],
            "roads": [[[0, 0], [0, 50]]],
            "wires": [{"points": [[5, 5], [50, 5]]}],
            "boundary": [[-90, -90], [90, -90], [0, 90]],
        }
    )
    assert (found.landmarks[0].name, found.landmarks[0].east, found.landmarks[0].north) == ("barn", 120, -60)
    assert [one.name for one in found.keep_out] == ["", "pond"] and found.keep_out[1].points[0] == (1.0, 2.0)
    assert found.roads[0].points == ((0.0, 0.0), (0.0, 50.0)) and len(found.wires) == 1
    assert found.boundary == ((-90.0, -90.0), (90.0, -90.0), (0.0, 90.0))


def test_degrees_become_meters_as_an_independent_projection_has_them() -> None:
    """PROJ's topocentric conversion, EPSG method 9837."""
    projection = (
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 "
        "+step +proj=topocentric +ellps=WGS84 +lon_0=-100 +lat_0=40 +h_0=0"
    )
    transformer = Transformer.from_pipeline(projection)
    for latitude, longitude in ((40.0011, -99.9981), (39.99, -100.02), (40.05, -99.93)):
        landmark = {"name": "x", "lat_deg": latitude, "lon_deg": longitude}
        (found,) = site_map_of({**PAD, "landmarks": [landmark]}).landmarks
        east, north, _ = transformer.transform(longitude, latitude, 0.0)
        assert (found.east, found.north) == pytest.approx((east, north), abs=0.001)


@pytest.mark.parametrize(
    ("site", "said"),
    [
        ({"landmarks": "barn"}, "landmarks"),
        ({"landmarks": [{"east_m": 1, "north_m": 2}]}, "name, east_m, north_m"),
        ({"landmarks": [{"name": "x", "east_m": 1}]}, "pair of meters"),
        ({"landmarks": [{"name": "x", "east_m": 1, "north_m": 2, "up_m": 3}]}, "pair of meters"),
        ({"landmarks": [{"name": "x" * 99, "east_m": 1, "north_m": 2}]}, "at most 60 letters"),
        ({"landmarks": [{"name": "x", "lat_deg": 40, "lon_deg": -100}]}, "the pad's own lat_deg"),
        ({**PAD, "landmarks": [{"name": "x", "lat_deg": 95, "lon_deg": -100}]}, "-90 to 90"),
        ({**PAD, "landmarks": [{"name": "x", "lat_deg": 10, "lon_deg": -100}]}, "km from the pad"),
        ({"keep_out": [[[0, 0], [1, 5]]]}, "3 to"),
        ({"keep_out": TRIANGLE}, "keep_out"),
        ({"keep_out": [{"ring": TRIANGLE}]}, "name, points"),
        ({"keep_out": [{"points": TRIANGLE, "radius_m": 4}]}, "name, points"),
        ({"keep_out": [[[0, 0], [1, float("nan")], [5, 5]]]}, "pair of meters"),
        ({"keep_out": [[[0, 0], [1, True], [5, 5]]]}, "pair of meters"),
        ({"keep_out": [[[40.0001, -100.0002], [40.0003, -100.0002], [40.0003, -100.0001]]]}, "smaller than a meter"),
        ({"roads": [[[0, 0]]]}, "2 to"),
        ({"wires": [[[0, 0], [0, 1e7]]]}, "pair of meters"),
        ({"boundary": [TRIANGLE]}, "boundary"),
        ({"declination_deg": "3 E"}, "east positive"),
        ({"declination_deg": 270}, "east positive"),
    ],
)
def test_what_is_no_map_is_refused_in_one_sentence(site: dict[str, object], said: str, tmp_path: Path) -> None:
    with pytest.raises(MapFault, match="gives ") as refused:
        site_map_of(site)
    assert said in str(refused.value) and "\n" not in str(refused.value) and len(str(refused.value)) < 240
    # A recording that holds such a sheet opens, and shows no way.
    assert said in str(map_shape(site)["problem"])


def test_a_wrong_sheet_file_is_refused_with_its_name(tmp_path: Path) -> None:
    sheet = tmp_path / "mine.toml"
    sheet.write_text("[site]\nkeep_out = [[[0, 0], [1, 1]]]\n", "utf-8")
    with pytest.raises(SettingsProblem, match=r"The sheet .*mine\.toml gives keep_out"):
        load_sheets(sheet, False)


def feature(kind: str, geometry: str, coordinates: object, **more: object) -> dict[str, object]:
    shape = {"type": geometry, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"kind": kind, **more}, "geometry": shape}


def sheet_with(folder: Path, *features: object, more: str = "") -> Path:
    """Write a GeoJSON file and a sheet that names it."""
    (folder / "field.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}), "utf-8")
    sheet = folder / "sheet.toml"
    sheet.write_text(f'[site]\nlat_deg = 40.0\nlon_deg = -100.0\nmap_file = "field.geojson"\n{more}', "utf-8")
    return sheet


RING = [[-99.999, 40.0], [-99.998, 40.0], [-99.998, 40.001], [-99.999, 40.0]]


def test_a_map_file_is_kept_in_the_session_and_read_as_the_standard_says(tmp_path: Path) -> None:
    """RFC 7946: positions are longitude, latitude; a polygon's first ring is the outer one and ends where it began."""
    hole = [[-99.9985, 40.0003], [-99.9983, 40.0003], [-99.9983, 40.0004], [-99.9985, 40.0003]]
    sheet = sheet_with(
        tmp_path,
        feature("landmark", "Point", [-99.999, 40.001, 620.0], name="barn"),
        feature("keep_out", "Polygon", [RING, hole], name="pond"),
        feature("keep_out", "MultiPolygon", [[RING], [RING]]),
        feature("wires", "LineString", [[-100.001, 40.0], [-100.001, 40.01]]),
        feature("road", "MultiLineString", [[[-100.002, 40.0], [-100.002, 40.01]], [[-100.0, 40.02], [-100.001, 40.02]]]),
        feature("boundary", "Polygon", [RING]),
        more='landmarks = [{ name = "gate", east_m = 5, north_m = 6 }]\n',
    )
    site = load_sheets(sheet, False).site
    (tmp_path / "field.geojson").unlink()  # a session keeps what the file told
    found = site_map_of(site)
    assert [one.name for one in found.landmarks] == ["gate", "barn"]
    # One thousandth of a degree at 40 north: 85.4 m of longitude, 111.0 m of latitude.
    assert (found.landmarks[1].east, found.landmarks[1].north) == pytest.approx((85.4, 111.0), abs=0.1)
    assert [len(one.points) for one in found.keep_out] == [3, 3, 3], "the hole stays kept out, the ring closes by itself"
    assert len(found.roads) == 2 and len(found.wires) == 1 and len(found.boundary or ()) == 3


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "cannot be read"),
        ("no json", "holds no JSON"),
        ("[]", "FeatureCollection"),
        (json.dumps(feature("keep_out", "Polygon", [RING])), "FeatureCollection"),
    ],
)
def test_a_file_that_holds_no_map_is_refused(tmp_path: Path, text: str | None, said: str) -> None:
    sheet = sheet_with(tmp_path)
    (tmp_path / "field.geojson").unlink()
    if text is not None:
        (tmp_path / "field.geojson").write_text(text, "utf-8")
    with pytest.raises(SettingsProblem, match=said):
        load_sheets(sheet, False)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (feature("trees", "Polygon", [RING]), "not landmark, keep_out"),
        (feature("keep_out", "Point", [-100, 40]), "not a Polygon"),
        (feature("landmark", "Polygon", [RING]), "not a Point"),
        (feature("landmark", "Point", [-100]), "longitude, latitude"),
        (feature("landmark", "Point", ["x", "y"], name="x"), "-90 to 90"),
        (feature("keep_out", "Polygon", [RING[:2]]), "3 to"),
        (feature("keep_out", "Polygon", []), "coordinates"),
        (feature("keep_out", "MultiPolygon", 3), "coordinates"),
        (feature("keep_out", "Polygon", [RING], name=3), "name"),
        ({"type": "Feature"}, "feature 1"),
        (3, "feature 1"),
    ],
)
def test_a_feature_that_is_not_understood_is_refused(tmp_path: Path, wrong: object, said: str) -> None:
    with pytest.raises(SettingsProblem, match=r"sheet\.toml ") as refused:
        load_sheets(sheet_with(tmp_path, wrong), False)
    assert said in str(refused.value) and "\n" not in str(refused.value)


def test_the_demonstration_has_a_map_and_the_page_gets_it_in_meters() -> None:
    told = map_shape(load_sheets(None, True).site)
    assert "problem" not in told
    assert {"landmarks", "keep_out", "roads", "wires", "boundary"} == set(told)
    assert told["landmarks"] and told["keep_out"] and told["boundary"]
    assert map_shape({}) == {"landmarks": [], "keep_out": [], "roads": [], "wires": [], "boundary": None}
