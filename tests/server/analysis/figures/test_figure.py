"""Figures as the journal keeps them: names, order, what is left out; and the figures known so far."""

from __future__ import annotations

import pkgutil
from dataclasses import fields, replace
from importlib import import_module

from server.analysis import figures
from server.analysis.figures.ascent import ApogeeFigure, LeanFigure, RailExitFigure, SourceTop, SwingFigure
from server.analysis.figures.control import SaturatedFigure, ServoCableFigure
from server.analysis.figures.descent import LandingForecast, LandingSpot, LastHeard, RecoveryFigure
from server.analysis.figures.figure import Figure, FigurePart, Figures
from server.analysis.figures.link import KindCount, LinkFigure, LinkTypesFigure
from server.analysis.figures.pad import AccelUnitsFigure, ContinuityFigure, GyroUnitsFigure

LAST = LastHeard(
    last_t=80.0,
    last_height_m=0.4,
    last_distance_m=5.0,
    last_bearing_deg=None,
    last_latitude_deg=None,
    last_longitude_deg=None,
    last_radius_m=9.0,
)
SPOT = LandingSpot(
    landing_east_m=3.0, landing_north_m=4.0, landing_distance_m=5.0, landing_bearing_rad=0.6, landing_radius_m=9.0
)
PLACE = ["landing_east_m", "landing_north_m", "landing_distance_m", "landing_bearing_rad", "landing_radius_m"]
HEARD = [field.name for field in fields(LAST)]


def kinds() -> list[type[Figure]]:
    """Return every class of figure that has a key."""
    modules = [import_module(f"{figures.__name__}.{found.name}") for found in pkgutil.iter_modules(figures.__path__)]
    classes = [value for module in modules for value in vars(module).values() if isinstance(value, type)]
    return [kind for kind in dict.fromkeys(classes) if issubclass(kind, Figure) and "key" in vars(kind)]


def test_every_figure_has_a_key_and_fields_of_its_own() -> None:
    found = kinds()
    assert len(found) >= 20 and len({kind.key for kind in found}) == len(found)
    # Without its decorator a class has its parent's fields alone.
    assert [kind for kind in found if "__dataclass_fields__" not in vars(kind)] == []


def test_a_default_is_left_out_and_a_null_is_told() -> None:
    assert RailExitFigure(reason="too few samples").body() == {"reason": "too few samples"}
    assert list(LeanFigure(t=1.0, greatest_tilt_rad=0.1).body()) == ["t", "greatest_tilt_rad"]
    body = LinkFigure(t=1.0, flight_loss=0.0, packets=30, mean_burst=None, longest_silence_s=0.5).body()
    assert body["mean_burst"] is None and "range_m" not in body


def test_a_named_part_carries_its_field_and_a_plain_one_does_not() -> None:
    top = SourceTop(m=281.0, t=23.1, sigma_m=0.4)
    body = ApogeeFigure(t=23.0, height_m=280.0, vehicle_barometer=top, spread_m=1.0).body()
    assert list(body.items()) == [
        ("t", 23.0),
        ("height_m", 280.0),
        ("vehicle_barometer_m", 281.0),
        ("vehicle_barometer_t", 23.1),
        ("vehicle_barometer_sigma_m", 0.4),
        ("spread_m", 1.0),
    ]


def test_where_it_will_lie_stands_before_the_last_place_heard_and_where_it_lies_after_it() -> None:
    forecast = LandingForecast(**{field.name: getattr(SPOT, field.name) for field in fields(SPOT)}, landing_in_s=12.0)
    coming = RecoveryFigure(t=70.0, forecast=forecast, last=LAST)
    assert list(coming.body()) == ["t", *PLACE, "landing_in_s", *HEARD]
    assert list(RecoveryFigure(t=90.0, last=LAST, landed=SPOT).body()) == ["t", *HEARD, *PLACE]


def test_values_are_plain() -> None:
    count = KindCount(received=5, lost=1, mean_burst=None, silence_s=0.2)
    body = LinkTypesFigure(t=60.0, use=0.4, kinds={"state": count}).body()
    assert body["kinds"] == {"state": {"received": 5, "lost": 1, "mean_burst": None, "silence_s": 0.2}}
    assert ContinuityFigure(t=1.0, missing=("lateral motor 3",)).body() == {"t": 1.0, "missing": ["lateral motor 3"]}
    saturated = SaturatedFigure(t=3.0, channels=("imu_a.gyro_z",), newest="rate about z")
    assert saturated.body() == {"t": 3.0, "channels": ["imu_a.gyro_z"]}
    assert not any(isinstance(value, FigurePart) for value in SwingFigure(excited=False, reason="none").body().values())


def test_sentences() -> None:
    assert RailExitFigure(speed_m_s=14.24).text == "left the rail at 14.2 m/s"
    assert RailExitFigure(reason="too few samples").text == ""
    assert SaturatedFigure(t=3.0, channels=("x.y",), newest="rate about z").text == "at the end of its range: rate about z"
    assert ServoCableFigure(t=8.0, kind="at deployment", height_m=None, sentence="as it should").text == "as it should"
    assert ServoCableFigure(t=8.0, kind="before deployment", height_m=None, cause="no voltage").text == ""


def test_figures_keep_the_last_of_each_key_and_say_what_is_new() -> None:
    lean = LeanFigure(t=1.0, greatest_tilt_rad=0.1)
    known = Figures(lean)
    assert not known.put(LeanFigure(t=1.0, greatest_tilt_rad=0.1))
    assert known.put(replace(lean, greatest_tilt_rad=0.2)) and known.get(LeanFigure) == replace(lean, greatest_tilt_rad=0.2)
    assert known.put(GyroUnitsFigure(t=2.0, suspect=None, reason="apart", distance=6.0))
    assert known.get(AccelUnitsFigure) is None and known.get(RailExitFigure) is None
    assert known.t_of("lean") == 1.0 and known.t_of("units_gyro") == 2.0 and known.t_of("rail_exit") is None
