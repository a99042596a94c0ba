"""The ensemble's vehicles obey what anybody can check by hand, and its table counts what it says."""

from __future__ import annotations

import random
import re
import subprocess
import sys
from math import pi, sqrt
from pathlib import Path

import numpy as np
import pytest

from tests.accuracy.ensemble.__main__ import as_markdown, said_of
from tests.accuracy.ensemble.extras import EARLY, EXTRAS, PARTED, STAGED
from tests.accuracy.ensemble.flown import Result, flown
from tests.accuracy.ensemble.motion import Air, SecondMotor, Vehicle, ascend, draw_vehicle, fly
from tests.accuracy.ensemble.sensors import draw
from tests.accuracy.ensemble.truth import missed, verdict
from tests.accuracy.recorded.description import Known
from tests.accuracy.recorded.told import Told

ROOT = Path(__file__).resolve().parents[2]
AIR = Air(101325.0, 288.15, 0.0065)
WITHOUT_DRAG = {
    **{"rise_s": 1e-6, "slope": 0.0, "exhaust_m_s": 1e9, "area_m2": 1e-12, "cd": 0.5, "transonic": 0.0},
    **{"rail_m": 1.0, "rail_tilt": 0.0, "is_steered": False, "target_m": 300.0, "drogue_m_s": 6.0, "main_m_s": 6.0},
    **{"main_at_m": -1e9, "deploy_after_s": 0.5, "ground_m": 0.0},
}


def test_without_drag_it_flies_as_in_a_textbook() -> None:
    vehicle = Vehicle(dry_kg=1.0, thrust_n=49.03325, **WITHOUT_DRAG)
    rows = ascend(vehicle, AIR, 1.0, 0.001)
    # A net 4 g for a second, and the tail's 0.015 s of it: speed v, then v^2 / 2 g more height. What it climbs in the tail
    # itself, a meter and a half, is left out.
    speed = max(row[4] for row in rows)
    assert speed == pytest.approx(4.0 * 9.80665 + 0.0149 * 49.03325, rel=0.01)
    top = max(row[2] for row in rows)
    assert top == pytest.approx(0.5 * 4.0 * 9.80665 + speed**2 / (2.0 * 9.80665), rel=0.02)


def test_the_air_agrees_with_the_published_standard() -> None:
    # U.S. Standard Atmosphere, 1976, at 2000 m geopotential: 79495 Pa, 275.15 K.
    assert AIR.pressure(2000.0) == pytest.approx(79495.0, rel=2e-4) and AIR.temperature(2000.0) == pytest.approx(275.15)


def test_a_flight_reaches_the_height_it_was_drawn_for_and_comes_down_at_the_rates_of_its_canopies() -> None:
    vehicle = draw_vehicle(random.Random(4), 900.0, False)
    moments = fly(vehicle, AIR, "dual", 5.0, 5.0).moments
    assert moments["apogee"] == pytest.approx(900.0, rel=0.02)
    assert moments["main_rate"] == pytest.approx(vehicle.main_m_s, rel=0.03)
    assert moments["landing_speed"] == pytest.approx(vehicle.main_m_s, rel=0.02)
    assert moments["deployed_rate"] == pytest.approx(vehicle.drogue_m_s, rel=0.06)  # thinner air is faster
    assert moments["lift_off"] < moments["burnout"] < moments["apogee_time"] < moments["main_at"] < moments["landing"]


def test_the_force_along_the_nose_is_the_speed_s_own_change() -> None:
    flight = fly(draw_vehicle(random.Random(9), 400.0, False), AIR, "single", 5.0, 5.0)
    chosen = (flight.t > flight.moments["lift_off"] + 0.3) & (flight.t < flight.moments["burnout"] - 0.05)
    felt = np.gradient(flight.climb_m_s, flight.t) + 9.80665
    gap = felt[chosen] - (flight.along_m_s2 * np.cos(flight.tilt))[chosen]
    assert sqrt(float(np.mean(gap**2))) < 0.02 * float(np.abs(felt[chosen]).max())


def test_vehicles_are_of_every_kind() -> None:
    drawn = [draw(seed) for seed in range(30)]
    assert {one.traits["layout"] for one in drawn} == {"barometer", "axis", "force", "unit", "everything"}
    masses = [float(str(one.traits["mass"])) for one in drawn]
    assert min(masses) < 0.2 and max(masses) > 10.0
    assert any(one.traits["weak"] for one in drawn) and {one.traits["kind"] for one in drawn} >= {"dual", "single"}
    again = draw(3).logged.rows[0][1].values
    assert np.array_equal(again, drawn[3].logged.rows[0][1].values)


def test_the_table_counts_told_numbers_and_the_intervals_that_hold() -> None:
    drawn = draw(0)
    known = Known(quantity="burnout", source="truth", value=10.0)
    told = [Told(10.05, 0.01), Told(10.05, 0.05), Told(), Told(10.2)]
    results = [Result(2 * i, drawn, ((known, each),), ()) for i, each in enumerate(told)]
    (row,) = [line for line in as_markdown(results).splitlines() if line.startswith("| burnout |")]
    cells = [cell.strip() for cell in row.strip("| ").split("|")]
    assert cells[2] == "3 of 4" and cells[4:6] == ["67%", "50% of 2"] and cells[6] == "0 of 0"
    assert float(cells[3].split()[0]) == pytest.approx(0.185)


def test_alarms_and_findings_are_counted_as_true_or_false_and_what_is_missing_is_named() -> None:
    ballistic = next(one for one in map(draw, range(200)) if one.traits["kind"] == "ballistic")
    soft = draw(1)
    honest, hard = "alarm: state vector jumped: velocity_up", "finding: came down ballistic: it hit the ground at 90 m/s"
    assert verdict(honest, ballistic) == "false" and verdict("finding: a new one", soft) == "?"
    assert verdict(hard, ballistic) == "true" and verdict(hard, soft) == "false"
    absent = (Known(quantity="burnout", source="truth", value=10.0), Told())
    assert missed(ballistic, [], [absent]) == ["burnout: absent, no reason told", "finding: came down ballistic"]
    assert missed(ballistic, [hard], [(absent[0], Told(reason="no force"))]) == []
    results = [Result(0, ballistic, (), ("a", "b"), "", ("true", "?")), Result(1, soft, (), ("a",), "", ("false",), ("c",))]
    assert said_of(results) == [
        "  2 vehicles (1 true, 1 false): a", "  1 vehicles (1 ?): b", "  1 vehicles not told: c"
    ]  # fmt: skip


def _printed(*options: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "tests.accuracy.ensemble", *options], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_command_runs_and_tells_the_same_with_any_number_of_processes() -> None:
    one, two = (_printed("--vehicles", "3", "--each", "--processes", count) for count in ("1", "2"))
    assert "3 of 3 vehicles" in one and "vehicle 2: layout" in one and "| apogee, air told |" in one
    assert re.sub(r"in \d+ s", "", one) == re.sub(r"in \d+ s", "", two)


def test_a_drawn_angle_is_a_small_one() -> None:
    assert draw_vehicle(random.Random(1), 300.0, True).rail_tilt < 2.0 * pi / 180.0


def test_some_have_a_receiver_that_knows_where_they_land_and_some_lose_a_sensor() -> None:
    drawn = [draw(seed) for seed in range(30)]
    spots = [(one, known) for one in drawn for known in one.known if known.quantity == "landing_spot"]
    assert 4 <= len(spots) <= 20 and any("silent" in one.traits for one in drawn)
    for one, known in spots:
        (gnss,) = [samples for packet, samples in one.logged.rows if packet.name == "gnss"]
        if "gnss" in str(one.traits.get("silent", "")):
            continue
        # Meters north of the pad: 111.1 km a degree, good to a thousandth or so at this latitude.
        north = (np.median(gnss.values[-10:, 0]) - np.median(gnss.values[:30, 0])) * 111_100.0
        assert known.distance_m is not None and known.bearing_deg is not None
        assert north == pytest.approx(
            known.distance_m * np.cos(known.bearing_deg * pi / 180.0), abs=8.0 + 0.004 * known.distance_m
        )


def test_a_second_motor_without_drag_gives_what_a_textbook_says() -> None:
    """4 g net for a second, a second of coast, then 3 g net for half a second on what is left without its booster."""
    second = SecondMotor(after_s=1.0, burn_s=0.5, thrust_n=39.2266, fuel_kg=1e-9, dropped_kg=0.5)
    vehicle = Vehicle(dry_kg=1.0, thrust_n=1.5 * 49.03325, second=second, **WITHOUT_DRAG)
    rows = np.array(ascend(vehicle, AIR, 1.0, 0.001))
    at = [float(np.interp(t, rows[:, 0], rows[:, 4])) for t in (1.15, 1.99, 2.5)]
    assert at[0] - at[1] == pytest.approx(0.84 * 9.80665, rel=0.01)
    assert at[2] - at[1] == pytest.approx(3.0 * 0.5 * 9.80665 - 0.02 * 39.2 - 0.01 * 9.8, abs=0.2)


def test_each_extra_is_a_vehicle_of_its_own_and_flies_what_it_is_about() -> None:
    for seed in range(3):
        usual = draw(seed)
        drawn = {extra: draw(seed, extra) for extra in EXTRAS}
        truth = {extra: {k.quantity: k.value for k in one.known} for extra, one in drawn.items()}
        staged = truth[STAGED]
        assert staged["burnout"] < staged["ignition_2"] < staged["burnout_2"] < staged["apogee_time"]
        assert truth[EARLY]["opening"] < truth[EARLY]["apogee_time"] and truth[EARLY]["opening_climb"] > 20.0
        parted = {k.source: k.value for k in drawn[PARTED].known if k.quantity == "descent_rate"}
        before = parted.get("main" if drawn[PARTED].traits["kind"] == "dual" else "deployed")
        if before is not None and "parted" in parted and parted["parted"] is not None:
            share = (parted["parted"] / before) ** 2
            assert share == pytest.approx(truth[PARTED]["kept_share"], rel=0.15)
        assert "extra" not in usual.traits and np.array_equal(
            usual.logged.rows[0][1].values, draw(seed).logged.rows[0][1].values
        )


@pytest.mark.parametrize("seed", [9019, 9028, 9038, 12084])
def test_who_hits_the_ground_ballistic_has_no_doubtful_state_vector(seed: int) -> None:
    result = flown((seed, ""))
    assert result.drawn.traits["kind"] == "ballistic" and result.drawn.traits["layout"] == "everything"
    assert not [text for text in result.said if "state vector" in text], (
        "neither of both was wrong by more than a hit explains"
    )
