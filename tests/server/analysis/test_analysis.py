"""What the station computes of real flights of the twin: the same in any cut, close to the truth, deaf to bad numbers."""

from __future__ import annotations

import gc
import math
import random
import types

import numpy as np
import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import Output, Pipeline, recorded_output
from server.flight.motion.attitude import tilt_rad
from server.flight.motion.phase import Phase
from server.recording.records import Kind, Record
from server.telemetry.journal import JournalEntry
from tests.protocol.helpers import HEAD, SMALL
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, cut, live_output
from tests.server.flights import FACTS, KEY, Flight, dictionary, flown

SEEDS = [(scenario, seed) for scenario in ("calm", "thin-link") for seed in (1, 2, 3)]


def computed(flight: Flight) -> Output:
    return recorded_output(dictionary(), flight.records(), 0, FACTS)


def moments(output: Output) -> dict[str, JournalEntry]:
    """Return the first entry of each moment that began."""
    found: dict[str, JournalEntry] = {}
    for entry in output.entries:
        if entry.topic == "moment" and entry.body.get("on", True):
            found.setdefault(entry.key, entry)
    return found


@pytest.mark.parametrize(("scenario", "longest"), [("calm", 2000), ("thin-link", 40), ("bad-number", 350)])
def test_any_cut_of_a_real_flight_gives_the_same(scenario: str, longest: int) -> None:
    records = cut(flown(scenario).stream, random.Random(longest), longest)
    assert_same(live_output(dictionary(), records), recorded_output(dictionary(), records, ORIGIN_NS))


def test_cut_byte_by_byte_around_lift_off() -> None:
    flight = flown("bad-number")
    middle = b"".join(chunk for t, chunk in flight.chunks if 13.0 < t < 23.0)
    records = [Record(Kind.RECEIVED, i, ORIGIN_NS + i * 200_000, middle[i : i + 1]) for i in range(len(middle))]
    assert_same(live_output(dictionary(), records), recorded_output(dictionary(), records, ORIGIN_NS))


@pytest.mark.parametrize(("scenario", "seed"), SEEDS)
def test_moments_are_those_of_the_truth(scenario: str, seed: int) -> None:
    flight = flown(scenario, seed)
    found, truth = moments(computed(flight)), flight.truth
    lost_burst_s = 0.5 if scenario == "thin-link" else 0.0
    assert found["apogee"].body["height_m"] == pytest.approx(truth["apogee_m"], rel=0.01)
    assert found["apogee"].body["t"] == pytest.approx(truth["apogee_s"], abs=0.1)
    assert found["lift_off"].body["t"] == pytest.approx(truth["liftoff_s"], abs=0.06 + lost_burst_s)
    assert found["burnout"].body["t"] == pytest.approx(truth["burnout_s"], abs=0.1 + lost_burst_s)
    assert found["landing"].body["t"] == pytest.approx(truth["landing_s"], abs=1.0)
    assert found["deployment"].body["t"] == pytest.approx(truth["deployment_s"], abs=0.15 + lost_burst_s)
    assert found["control_enabled"].body["t"] == pytest.approx(truth["control_enabled_s"], abs=0.15 + lost_burst_s)


def test_phases_beside_the_vehicles_own() -> None:
    output = computed(flown())
    ground = [e.body["phase"] for e in output.entries if e.topic == "phase" and e.key == "ground"]
    flying = [e.body["flying"] for e in output.entries if e.topic == "phase" and e.key == "ground"]
    assert flying == [phase not in ("pad", "landed") for phase in ground]  # the page asks nobody else
    vehicle = [e.body["phase"] for e in output.entries if e.topic == "phase" and e.key == "vehicle"]
    assert ground == ["pad", "boost", "coast", "descent", "landed"]
    assert vehicle == ["startup", *ground]


def test_the_frame_that_stopped_being_a_number_is_found_and_hurts_nothing() -> None:
    flight, calm = flown("bad-number"), flown("calm")
    output = computed(flight)
    health = [e for e in output.entries if e.topic == "health"]
    assert len(health) == flight.truth["nonfinite_frames"] == 1
    assert {"q_w", "rate_z"} <= set(health[0].body["components"])
    assert math.isnan(output.rows["ground_motion"].columns["tilt"][np.isnan(output.rows["navigation"].columns["q_w"])][0])
    assert moments(output)["apogee"].body["height_m"] == pytest.approx(calm.truth["apogee_m"], rel=0.01)


def test_tilt_is_that_of_the_vehicles_quaternion_and_link_counts_every_packet() -> None:
    output = computed(flown("thin-link"))
    navigation = output.rows["navigation"].columns
    expected = tilt_rad(*(navigation[f"q_{part}"] for part in "wxyz"))
    assert np.array_equal(output.rows["ground_motion"].columns["tilt"], expected, equal_nan=True)
    link = output.rows["ground_link"]
    before_last = link.rx_s[-1]
    packets = [rows for name, rows in output.rows.items() if name in dictionary().packets]
    good = sum(int((rows.rx_s < np.floor(before_last)).sum()) for rows in packets)
    assert link.columns["received"][-1] == good
    truth = flown("thin-link").truth
    share = truth["downlink_frames_lost"] / truth["downlink_frames_sent"]
    assert link.columns["lost"][-1] / (link.columns["lost"][-1] + good) == pytest.approx(share, abs=0.03)


def test_a_day_on_the_pad_with_handling_is_no_flight() -> None:
    """Rewrite a real pad recording's forces: shocks of both signs, as from hands and tools."""
    link, rng = VehicleLink(dictionary(), KEY, 3), random.Random(3)
    pipeline = Pipeline(dictionary(), 0, FACTS)
    plain = {c.name: 0.0 for c in dictionary().packets["imu_a"].channels} | {"temperature": 300.0}
    for i in range(25 * 60):
        shock = rng.gauss(0, 60) if i % 100 < 25 else 0.0
        imu = link.frame("imu_a", i * 40, {**plain, "accel_z": 9.81 + shock, "accel_x": rng.gauss(0, 20)})
        air = {"pressure": 94000.0 + rng.gauss(0, 5), "temperature": 291.0, "altitude": 0.0}
        stream = imu + link.frame("barometer", i * 40 + 5, air)
        entries = pipeline.take(Record(Kind.RECEIVED, i, i * 40_000_000, stream)).entries
        assert [e.body["phase"] for e in entries if e.topic == "phase"] in ([], ["pad"])
    assert pipeline.analysis.phases.phase is Phase.PAD


def test_limit_alarm_raises_and_clears_with_the_value_in_display_units() -> None:
    link, pipeline = VehicleLink(dictionary(), KEY, 3), Pipeline(dictionary(), 0)
    plain = {c.name: 0.0 for c in dictionary().packets["power"].channels}
    volts = [7.9] * 3 + [6.9] * 3 + [6.5] * 3 + [7.9] * 21
    entries = []
    for i, volt in enumerate(volts):
        frame = link.frame("power", i * 500, {**plain, "battery_voltage": volt})
        entries += pipeline.take(Record(Kind.RECEIVED, i, i * 500_000_000, frame)).entries
    alarms = [e for e in entries if e.topic == "alarm"]
    told = [(e.severity, e.body["state"]) for e in alarms]
    assert told == [("caution", "raised"), ("warning", "raised"), ("info", "cleared")]
    assert alarms[0].text.endswith(": 6.9 V, below the caution limit of 7 V")
    assert (
        alarms[1].text.endswith(": 6.5 V, below the warning limit of 6.6 V")
        and alarms[1].key == "limit power.battery_voltage"
    )


def test_a_dictionary_without_roles_computes_what_it_can() -> None:
    link, pipeline = VehicleLink(SMALL, KEY, 3), Pipeline(SMALL, 0)
    seen = set()
    for i in range(50):
        frame = link.frame("beat", i * 100, {"boot": 3, "n": i})
        seen |= set(pipeline.take(Record(Kind.RECEIVED, i, i * 100_000_000, frame)).rows)
    assert seen == {"beat", "ground_link"}


WILD = parse_dictionary(
    HEAD
    + """
[packet.air]
apid = 1
rate_hz = 20
fields = [
  { name = "p", type = "f64", unit = "Pa", role = "pressure", limits = { caution_low = 90000, warning_high = 200000 } },
  { name = "k", type = "f64", unit = "K", role = "baro_temperature" },
  { name = "x", type = "f64", unit = "m/s2", role = "accel.a.x" },
  { name = "y", type = "f64", unit = "m/s2", role = "accel.a.y" },
  { name = "z", type = "f64", unit = "m/s2", role = "accel.a.z" },
  { name = "w", type = "f64", unit = "1", role = "attitude_quaternion.w" },
  { name = "qx", type = "f64", unit = "1", role = "attitude_quaternion.x" },
  { name = "qy", type = "f64", unit = "1", role = "attitude_quaternion.y" },
  { name = "qz", type = "f64", unit = "1", role = "attitude_quaternion.z" },
  { name = "phase", type = "u8", role = "vehicle_phase", values = ["pad", "boost"] },
]
[packet.hello]
apid = 2
fields = [ { name = "boot_id", type = "u16", role = "startup.boot_id" } ]
""",
    "wild.toml",
)
CALM = {"p": 94000.0, "k": 291.0, "x": 0.0, "y": 0.0, "z": 9.80665, "w": 1.0, "qx": 0.0, "qy": 0.0, "qz": 0.0, "phase": 0}
EXTREMES = [math.nan, math.inf, -math.inf, 1.7e308, -1.7e308, 5e-324, -0.0, 1e30, 3.4e38]


def wild_frames(dictionary: Dictionary, seed: int) -> list[bytes]:
    link, rng = VehicleLink(dictionary, KEY, 3), random.Random(seed)
    frames = []
    for i in range(400):
        values = dict(CALM)
        if 50 <= i < 250:
            for name in rng.sample(list(values), 3):
                values[name] = rng.choice(EXTREMES) if name != "phase" else rng.choice([0, 1])
        frames.append(link.frame("air", i * 50, values))
    return frames


@pytest.mark.parametrize("seed", range(6))
def test_extreme_numbers_warn_nobody_and_are_forgotten_afterwards(seed: int) -> None:
    """Fault 27, with floats of all sizes in every place at once."""
    frames = wild_frames(WILD, seed)
    records = [Record(Kind.RECEIVED, i, ORIGIN_NS + i * 50_000_000, frame) for i, frame in enumerate(frames)]
    whole = recorded_output(WILD, records, ORIGIN_NS)
    assert_same(live_output(WILD, records), whole)
    vertical = whole.rows["ground_vertical"].columns
    assert np.isfinite(vertical["height"]).all() and np.isfinite(vertical["climb_rate"]).all()
    assert abs(vertical["height"][-1]) < 3.0 and abs(vertical["climb_rate"][-1]) < 3.0
    for entry in whole.entries:
        assert all(math.isfinite(v) for v in entry.body.values() if isinstance(v, float)), entry


MISTYPED = parse_dictionary(
    HEAD
    + """
[packet.words]
apid = 1
fields = [
  { name = "volts", type = "text8", role = "battery.voltage", limits = { warning_low = 6.0 } },
  { name = "turn", type = "text8", role = "accel.a.z", sensor_range = [-160.0, 160.0] },
  { name = "phase", type = "text8", role = "vehicle_phase" },
  { name = "number", type = "u16", role = "event.text" },
]
""",
    "mistyped.toml",
)


def test_a_role_on_a_text_that_must_be_a_number_or_the_other_way_round_is_passed_over() -> None:
    link, values = VehicleLink(MISTYPED, KEY, 3), {"volts": "7.9", "turn": "1", "phase": "pad", "number": 7}
    frames = [link.frame("words", i * 100, values) for i in range(30)]
    records = [Record(Kind.RECEIVED, i, ORIGIN_NS + i * 100_000_000, frame) for i, frame in enumerate(frames)]
    whole = recorded_output(MISTYPED, records, ORIGIN_NS)
    assert len(whole.rows["words"]) == 30 and whole.entries == []
    assert_same(live_output(MISTYPED, records), whole)


def held(root: object) -> int:
    """Count everything reachable from an object: its objects, and the numbers in its arrays."""
    passed_over = (type, types.ModuleType, types.FunctionType, types.BuiltinFunctionType)
    seen: dict[int, object] = {}
    waiting, numbers = [root], 0
    while waiting:
        thing = waiting.pop()
        if id(thing) in seen or isinstance(thing, passed_over):
            continue
        seen[id(thing)] = thing
        if isinstance(thing, np.ndarray):
            numbers += thing.size
        else:
            waiting += gc.get_referents(thing)
    return len(seen) + numbers


def test_what_is_held_on_the_pad_levels_off() -> None:
    """Frames come twice a second, each kind as a piece of its own, as live; two minutes are what the flight log keeps."""
    link, pipeline = VehicleLink(dictionary(), KEY, 3), Pipeline(dictionary(), 0, FACTS)
    packets = [packet for packet in dictionary().packets.values() if packet.rate_hz]
    rest = {packet.name: {channel.name: 0 for channel in packet.channels} for packet in packets}
    for unit in ("imu_a", "imu_b"):
        rest[unit] |= {"accel_z": 9.8, "temperature": 300.0}
    rest["barometer"] |= {"pressure": 94000.0, "temperature": 291.0}
    greatest = [0, 0, 0]
    for number in range(900):
        chunk = b"".join(link.frame(name, number * 500, values) for name, values in rest.items())
        pipeline.take(Record(Kind.RECEIVED, number, number * 500_000_000, chunk))
        if number % 20 == 0:
            greatest[number // 300] = max(greatest[number // 300], held(pipeline))
    assert greatest[0] > 5000 and greatest[2] < 1.2 * greatest[1], greatest


def test_once_all_is_judged_the_flight_log_is_let_go() -> None:
    """The last judgement is due two minutes after apogee; this flight has landed before."""
    pipeline, flight = Pipeline(dictionary(), 0, FACTS), flown()
    for record in flight.records():
        pipeline.take(record)
    assert pipeline.judging.rows_kept > 10_000
    late_s = flight.chunks[-1][0] + 130.0
    rest = {channel.name: 0.0 for channel in dictionary().packets["fins"].channels}
    frame = VehicleLink(dictionary(), KEY, 3).frame("fins", round(late_s * 1000), rest)
    pipeline.take(Record(Kind.RECEIVED, len(flight.chunks), round(late_s * 1e9), frame))
    assert pipeline.judging.rows_kept == 0
