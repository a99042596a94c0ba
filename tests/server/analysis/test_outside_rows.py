"""What was seen on recorded flights of other vehicles and on independent models, each as a flight of an invented vehicle.

The row's number is that of this table; "here" is this file, the rest stands where it is said. Bounds: lift-off within 50 ms
where a force is measured, apogee within 1 %, landing within 1 s and its speed within 15 %, descent rates within 10 %.

 1  a false apogee in full climb, after a gap, with a lagging port      here; test_outside_heights
 2  a warm board stretches heights; firmware with the standard formula  test_outside_heights
 3  altitude instead of pressure                                        test_foreign_vehicles (altitude_instead_of_pressure)
 4  thrust to weight below two, a frozen accelerometer                  test_outside_heights, _moments
 5  no attitude, or an old one, under the parachute                     here; test_foreign_vehicles (without_an_attitude)
 6  predicted apogee: transonic, bias, port                             test_outside_forecasts
 7  a clipped accelerometer                                             test_outside_clipping
 8  dual deployment, ballistic descent, without a sheet and with one    here; test_outside_findings; test_descent_judged
 9  barometer only, with loss                                           here; test_outside_moments
10  lift-off across a gap                                               test_outside_moments
11  roll authority against a torque with a memory                       flight/control/test_roll_authority
12  healthy inertial units                                              test_outside_units
13  an unstable vehicle                                                 here
14  GNSS, roles, units                            here; test_gnss; protocol/test_roles; workbench/test_dictionary_lint
15  packets split in every way, unit B only, one axis, commanded fins   test_outside_layouts; test_outside_roll
16  logs given to `dictionary new` and `onboard`                        test_outside_logs, _onboard
17  doubt of greatest speed and burnout height; a page without attitude test_outside_speeds; web/little.test.js
"""

from __future__ import annotations

import re
from math import pi

import numpy as np
import pytest

from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import recorded_output
from server.recording.records import Kind, Record
from tests.accuracy.ensemble.motion import G
from tests.protocol.helpers import HEAD
from tests.server.analysis.outside import (
    DUAL,
    FAST,
    QUATERNION,
    Packet,
    air_packet,
    apogee_m,
    attitudes,
    climbs,
    flown,
    forces,
    moment,
    pressures,
    state_packet,
    tilts,
    told,
    unit_packet,
)
from tests.server.analysis.test_pipeline import ORIGIN_NS

# ---------------------------------------------------------------- row 1


@pytest.mark.parametrize("before_burnout_s", [1.0, 0.75])
def test_a_gap_and_a_lagging_port_make_no_apogee_in_full_climb(before_burnout_s: float) -> None:
    """Seen: an apogee of 1419 m, 15 s early, for a flight to 3003 m; never taken back."""
    flight = flown(**FAST)
    gap = flight.moments["burnout"] - before_burnout_s
    packets = [air_packet(pressures(flight, share=0.04, lag_s=0.25), 10.0), unit_packet(forces(flight), 20.0)]
    heard = told(flight, packets, gaps=[(gap, gap + 1.1)])
    assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)
    assert moment(heard, "apogee") == pytest.approx(flight.moments["apogee_time"], abs=1.0)


# ---------------------------------------------------------------- row 5

HEAVY = {"dry_kg": 18.0, "thrust_n": 2500.0, "area_m2": 0.015, "target_m": 500.0, "drogue_m_s": 21.5}


@pytest.mark.parametrize(
    ("hangs", "attitude"), [((0.0, 0.0, -1.0), "none"), ((1.0, 0.0, 0.0), "none"), ((0.7, 0.0, -0.7), "stale")]
)
def test_an_impact_of_four_kilojoules_is_told_however_it_hangs(hangs: tuple[float, float, float], attitude: str) -> None:
    """Seen: no landing at all, climb rates wrong by 16 m/s rms, and where one was told 0.006 J."""
    flight = flown(**HEAVY)
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight, hangs=hangs))]
    if attitude == "stale":
        packets.append(Packet("nav", 20.0, QUATERNION, attitudes(tilts(flight)), until_s=flight.moments["apogee_time"]))
    heard = told(flight, packets, vehicle={"burnout_mass_kg": 18.0})
    assert moment(heard, "landing_t") == pytest.approx(flight.moments["landing"], abs=1.0)
    speed = flight.moments["landing_speed"]
    assert heard.number("descent", "landing_m_s") == pytest.approx(speed, rel=0.15)
    assert heard.number("descent", "energy_j") == pytest.approx(0.5 * 18.0 * speed**2, rel=0.3)
    shown, true = climbs(heard, flight, flight.moments["apogee_time"] + 3.0, flight.moments["landing"] - 1.0)
    assert np.sqrt(np.mean((shown - true) ** 2)) < 1.0


# ---------------------------------------------------------------- row 8


def test_a_perfect_dual_deployment_is_told_stage_by_stage_and_nothing_is_found_wrong() -> None:
    """Seen: one rate for the whole way down, that of its longest part."""
    flight = flown("dual", **DUAL)
    heard = told(flight, [air_packet(pressures(flight)), unit_packet(forces(flight))])
    stages = heard.figure("descent").get("stages", [])
    assert [stage["kind"] for stage in stages] == ["drogue", "main"]
    assert stages[0]["rate_m_s"] == pytest.approx(flight.moments["deployed_rate"], rel=0.1)
    assert heard.number("descent", "landing_m_s") == pytest.approx(flight.moments["landing_speed"], rel=0.15)
    assert heard.findings() == []


@pytest.mark.parametrize("layout", ["barometer", "force"])
def test_a_ballistic_impact_is_found_without_a_sheet(layout: str) -> None:
    """Seen: nothing found when a vehicle met the ground at 213 m/s."""
    flight = flown("ballistic", **FAST)
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight))]
    heard = told(flight, packets[: 1 if layout == "barometer" else 2])
    impact = re.fullmatch(r"came down ballistic.* hit the ground at (\d+) m/s", "; ".join(heard.findings()))
    assert impact is not None and float(impact[1]) == pytest.approx(flight.moments["landing_speed"], rel=0.15)


# ---------------------------------------------------------------- row 9


@pytest.mark.parametrize("seed", [0, 2, 4])
def test_a_barometer_alone_with_loss_finds_the_apogee(seed: int) -> None:
    """Seen: lift-off 90 s early and the apogee 11 % low, since the pad's mean was learned from the climb."""
    flight = flown(**FAST)
    heard = told(flight, [air_packet(pressures(flight, noise_pa=6.0, seed=seed), 10.0)], loss=0.15, seed=seed)
    assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)
    assert moment(heard, "lift_off_t") == pytest.approx(flight.moments["lift_off"], abs=1.5)


# ---------------------------------------------------------------- row 13


def test_a_vehicle_that_turned_over_is_not_advised_less_static_margin() -> None:
    """Seen: "... or less static margin" for a vehicle that was unstable and turned over by 127 degrees."""
    flight = flown(thrust_n=110.0, target_m=280.0, rail_tilt=0.05)
    since = np.clip(flight.t - flight.moments["lift_off"] - 0.35, 0.0, None)
    lean = np.minimum(0.05 * np.exp(2.4 * since), 127.0 * pi / 180.0)
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight)), state_packet(flight, lean)]
    heard = told(flight, packets, vehicle={"rail_length_m": 1.5}, site={"wind_m_s": 3.0})
    advice = {one["text"]: str(one["advice"]) for one in heard.summary["findings"]}
    (leaned,) = [text for text in advice if text.startswith("leaned ")]
    assert not [one for one in advice.values() if "less static margin" in one]
    assert "check the static margin" in advice[leaned]
    assert not heard.figure("swing").get("excited")


# ---------------------------------------------------------------- row 14

HABITS = """
[packet.air]
apid = 1
rate_hz = 20
fields = [ { name = "p", type = "f32", unit = "hPa"ROLE"pressure" }, { name = "warm", type = "f32", unit = "degC"ROLE"baro_temperature" } ]
[packet.unit]
apid = 2
rate_hz = 50
fields = [ { name = "ax", type = "f32", unit = "g"ROLE"accel.a.x" }, { name = "ay", type = "f32", unit = "g"ROLE"accel.a.y" },
  { name = "az", type = "f32", unit = "g"ROLE"accel.a.z" } ]
[packet.told]
apid = 3
rate_hz = 20
fields = [ { name = "alt", type = "f32", unit = "ft"ROLE"altitude_baro" } ]
"""  # noqa: E501


@pytest.mark.parametrize("height", ["pressure", "feet"])
def test_a_flight_in_the_units_of_beginners_is_judged(height: str) -> None:
    """Seen: "no lift-off, no apogee, no warning" for floats in hPa, g, degC and feet."""
    flight = flown()
    pascals, felt = pressures(flight), forces(flight)
    bare = parse_dictionary(HEAD + re.sub(r'ROLE"[^"]*"', "", HABITS))
    link, records = VehicleLink(bare, bytes(32), 1), []
    for step in range(0, len(flight.t), 2):
        ms = 10 * step
        frames = [link.frame("unit", ms, dict(zip(("ax", "ay", "az"), (felt[step] / G).tolist(), strict=True)))]
        if step % 10 == 0 and height == "pressure":
            frames.append(link.frame("air", ms, {"p": pascals[step] / 100.0, "warm": 15.0}))
        if step % 10 == 0 and height == "feet":
            frames.append(link.frame("told", ms, {"alt": (flight.up_m[step] + 120.0) / 0.3048}))
        at_ns = ORIGIN_NS + ms * 1_000_000 + 5_000_000
        records += [Record(Kind.RECEIVED, len(records) + i, at_ns, frame) for i, frame in enumerate(frames)]
    text = re.sub(r'ROLE("[^"]*")', r", role = \1", HABITS)
    for packet, wanted in (("air", "pressure"), ("told", "feet")):
        if height != wanted:
            text = re.sub(rf"\[packet\.{packet}\][^\[]*\[[^\]]*\]\n", "", text)
    output = recorded_output(parse_dictionary(HEAD + text), records, ORIGIN_NS)
    moments = {entry.key: entry.body for entry in output.entries if entry.topic == "moment"}
    assert {"lift_off", "burnout", "apogee", "landing"} <= set(moments)
    assert moments["apogee"]["height_m"] == pytest.approx(flight.moments["apogee"], rel=0.01)
    zero_s = moments["lift_off"]["t"] - flight.moments["lift_off"]
    assert moments["burnout"]["t"] - zero_s == pytest.approx(flight.moments["burnout"], abs=0.1)
    assert moments["landing"]["t"] - zero_s == pytest.approx(flight.moments["landing"], abs=1.0)
