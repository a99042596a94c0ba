"""Single rules of the analysis, each on a few made-up packets or against the twin's true motion."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.units import GRAVITY_M_S2 as G0
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import Output, Pipeline, recorded_output
from server.recording.records import Kind, Record
from server.telemetry.journal import JournalEntry
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.analysis.test_pipeline import joined
from tests.server.flights import FACTS, KEY, dictionary, flown

REST = {"pressure": 94000.0, "temperature": 290.0}


def frames(packets: list[tuple[str, int, dict]]) -> Output:
    """Run (packet, vehicle ms, values) through the live path, one frame per record, arriving at vehicle time."""
    link, pipeline, out = VehicleLink(dictionary(), KEY, 1), Pipeline(dictionary(), 0), Output()
    for number, (packet, ms, values) in enumerate(packets, start=1):
        zeros = {c.name: "" if c.kind == "text" else c.offset for c in dictionary().packets[packet].channels}
        frame = link.frame(packet, ms, {**zeros, **values})
        taken = pipeline.take(Record(Kind.RECEIVED, number, ms * 1_000_000, frame))
        out.entries += taken.entries
        for name, rows in taken.rows.items():
            out.rows[name] = joined([out.rows[name], rows]) if name in out.rows else rows
    return out


def of_topic(output: Output, topic: str) -> list[JournalEntry]:
    return [entry for entry in output.entries if entry.topic == topic]


def without_role(role: str) -> Dictionary:
    """The Sandpiper dictionary whose field has lost its role, as another vehicle's might, and the rule that needs it."""
    unruled = re.sub(r"\[flight_rules\]\n(.+\n)+", "", dictionary().text)
    packets, mark, rest = unruled.partition("[rehearsal]")  # what a stimulus carries is no telemetry
    text, count = re.subn(rf'role = "{re.escape(role)}", ?', "", packets)
    assert count == 1, role
    return parse_dictionary(text + mark + rest)


# ---------------------------------------------------------------- against the true motion


def test_height_climb_and_tilt_follow_the_true_trajectory() -> None:
    flight = flown("calm", 1)
    twin = Twin(scenario=load_scenario("calm"), seed=1, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=15.0)
    twin.advance(flight.chunks[-1][0])
    true, truth = twin.trajectory(), flight.truth
    rows = recorded_output(dictionary(), flight.records(), 0, FACTS).rows
    vertical, motion = rows["ground_vertical"], rows["ground_motion"]
    flying = (vertical.t > truth["liftoff_s"] + 0.3) & (vertical.t < truth["landing_s"] - 1)
    t = vertical.t[flying]
    height_error = vertical.columns["height"][flying] - np.interp(t, true["t_s"], true["up_m"])
    climb_error = vertical.columns["climb_rate"][flying] - np.interp(t, true["t_s"], true["vel"][:, 2])
    assert np.sqrt((height_error**2).mean()) < 1.0 and np.abs(height_error).max() < 4.0
    assert np.sqrt((climb_error**2).mean()) < 1.5
    # Powered and coasting flight; the vehicle's own attitude estimate is in this, not only our arithmetic.
    up = (motion.t > truth["liftoff_s"] + 0.3) & (motion.t < truth["apogee_s"] - 0.5)
    tilt_error = motion.columns["tilt"][up] - np.interp(motion.t[up], true["t_s"], true["tilt"])
    assert np.degrees(np.abs(tilt_error)).max() < 5.0


# ---------------------------------------------------------------- attitude and force


def test_at_rest_in_any_attitude_nothing_climbs() -> None:
    """The specific force of a body at rest is g upwards, whatever way it lies (scipy turns it into the body's axes)."""
    for number, rotation in enumerate(Rotation.random(12, random_state=5)):
        x, y, z, w = rotation.as_quat()
        fx, fy, fz = rotation.inv().apply([0.0, 0.0, G0])
        packets: list[tuple[str, int, dict]] = [("barometer", 0, REST)]
        for ms in range(10, 2000, 40):
            packets.append(("navigation", ms, {"q_w": w, "q_x": x, "q_y": y, "q_z": z}))
            packets.append(("imu_a", ms + 5, {"accel_x": fx, "accel_y": fy, "accel_z": fz}))
        packets.append(("barometer", 2000, REST))
        climb = frames(packets).rows["ground_vertical"].columns["climb_rate"]
        assert np.abs(climb).max() < 0.05, number


@pytest.mark.parametrize("bad", [{"q_w": math.nan}, {}, {"q_w": 30.0}, {"q_w": math.inf}])
def test_a_quaternion_that_is_none_does_not_turn_the_force(bad: dict) -> None:
    """A frame of NaN, zeros or nonsense keeps the attitude before it: here nose down, force against the nose."""
    packets: list[tuple[str, int, dict]] = [("barometer", 0, REST)]
    packets += [("navigation", 10, {"q_x": 1.0}), ("navigation", 20, bad)]
    packets += [("imu_a", ms, {"accel_z": -G0}) for ms in range(30, 1000, 40)]
    output = frames([*packets, ("barometer", 1000, REST)])
    assert np.abs(output.rows["ground_vertical"].columns["climb_rate"]).max() < 0.05


@pytest.mark.parametrize(("role", "absent"), [("attitude_quaternion.y", {"ground_motion"}), ("pressure", set())])
def test_a_role_that_is_absent_hides_its_table_and_breaks_nothing(role: str, absent: set[str]) -> None:
    """Without pressure the height comes from the vehicle's own altitude."""
    rows = recorded_output(without_role(role), flown("calm").records(), 0, FACTS).rows
    assert {"ground_motion", "ground_vertical", "ground_link"} - rows.keys() == absent


def test_speed_needs_all_three_velocities() -> None:
    records = flown("calm").records()
    partly = recorded_output(without_role("velocity.north"), records, 0, FACTS).rows["ground_motion"]
    assert np.isnan(partly.columns["speed"]).all()
    full = recorded_output(dictionary(), records, 0, FACTS).rows["ground_motion"]
    assert np.nanmax(full.columns["speed"]) == pytest.approx(flown("calm").truth["max_speed_m_s"], rel=0.05)


# ---------------------------------------------------------------- flags, phases, texts


def test_flags_are_told_when_they_change_and_only_then() -> None:
    output = frames([("control", i * 100, {"enabled": s, "phase": 2}) for i, s in enumerate([0, 0, 1, 1, 0, 1])])
    edges = [(e.text, e.body["on"], e.t) for e in output.entries if e.key == "control_enabled"]
    assert edges == [("control enabled", True, 0.2), ("control disabled", False, 0.4), ("control enabled", True, 0.5)]
    assert [e.text for e in of_topic(output, "phase")] == ["vehicle says: pad"]


def test_deployment_that_is_taken_back_makes_no_second_moment() -> None:
    output = frames([("control", i * 100, {"deployed": s}) for i, s in enumerate([0, 1, 0, 0])])
    assert [e.text for e in output.entries if e.key == "deployment"] == ["deployment commanded"]


def test_a_phase_without_a_name_is_shown_by_its_number() -> None:
    """The firmware may be newer than the dictionary."""
    assert [e.text for e in of_topic(frames([("control", 0, {"phase": 200})]), "phase")] == ["vehicle says: 200"]


def test_events_have_their_severity_and_keys_of_their_own() -> None:
    codes, severities = [0, 1, 2, 3, 255], ["info", "caution", "warning", "warning", "warning"]
    output = frames([("event", i, {"severity": code, "text": f"text {code}"}) for i, code in enumerate(codes)])
    told = [(e.key, e.severity, e.text) for e in of_topic(output, "event")]
    assert told == [(f"e{i + 1}", severities[i], f"text {code}") for i, code in enumerate(codes)]


def test_a_packet_nobody_described_is_told_by_its_number() -> None:
    other = parse_dictionary(dictionary().text.replace("apid = 20\n", "apid = 1999\n", 1))
    (renamed,) = [packet for packet in other.packets.values() if packet.apid == 1999]
    zeros = {c.name: "" if c.kind == "text" else c.offset for c in renamed.channels}
    frame = VehicleLink(other, KEY, 1).frame(renamed.name, 0, zeros)
    output = Pipeline(dictionary(), 0).take(Record(Kind.RECEIVED, 1, 0, frame))
    assert [(e.topic, e.key) for e in output.entries] == [("damage", "apid 1999")]


# ---------------------------------------------------------------- two dictionaries


def test_a_vehicle_built_from_another_dictionary_is_an_alarm_until_it_is_not() -> None:
    ours, other = ({"boot_low": 1, "dictionary_hash": told} for told in (dictionary().hash32, 0xBAD))
    told = [("identity", 100 * i, values) for i, values in enumerate([ours, other, other, ours])]
    alarms = [entry for entry in of_topic(frames(told), "alarm") if entry.key == "dictionary"]
    assert [(entry.severity, entry.body["state"]) for entry in alarms] == [("warning", "raised"), ("info", "cleared")]
    assert "00000bad" in alarms[0].text and f"{dictionary().hash32:08x}" in alarms[0].text


def test_the_right_dictionary_is_nothing_to_speak_of() -> None:
    same = frames([("identity", 0, {"boot_low": 1, "dictionary_hash": dictionary().hash32})])
    assert not [entry for entry in of_topic(same, "alarm") if entry.key == "dictionary"]
