"""Vehicles with formats of their own through the whole station: recorder, pipeline, desk, replay, page's words."""

from __future__ import annotations

import socket
from itertools import pairwise
from pathlib import Path

import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.foreign.framing_tables import RISK
from protocol.foreign.sums import xor8
from protocol.identity import Identity
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import recorded_output
from server.http.messages import dictionary_shape
from server.recording.records import Kind, Record
from server.review.review import open_review
from server.review.summary import summarize
from server.telemetry.conditions import Reading
from server.twin.hop import APOGEE_M, DESCENT_M_S, HopVehicle
from server.uplink.addressee import Addressee
from server.uplink.command_queue import UNANSWERED_SAFE_ALLS, CommandQueue, blind_safe_all
from server.uplink.command_state import State
from tests.browser.station import Process
from tests.protocol.foreign.foreign_helpers import FOLDER, PLOVER, SAMPLES, WREN
from tests.protocol.helpers import KEY, SANDPIPER
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output


class NoseDown(HopVehicle):
    """Hangs under its parachute by the tail and lies flat afterwards."""

    def _motion(self) -> tuple[str, float, float]:
        phase, height, force = super()._motion()
        return phase, height, {"descent": -force, "landed": 0.0}.get(phase, force)


def records_of(dictionary: Dictionary, kind: type[HopVehicle] = HopVehicle) -> list[Record]:
    """A hop in chunks of 20 ms, with some bytes lost on the way."""
    vehicle, out = kind(dictionary, 10.0), []
    for step in range(1, 4500):
        chunk = vehicle.advance(0.02 * step)
        if len(out) % 60 == 3:
            chunk = chunk[5:]
        if chunk:
            out.append(Record(Kind.RECEIVED, len(out), ORIGIN_NS + round(0.02e9 * step), chunk))
    return out


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_live_and_recorded_are_the_same_and_tell_the_hop(dictionary: Dictionary) -> None:
    records = records_of(dictionary)
    whole = recorded_output(dictionary, records, ORIGIN_NS)
    assert_same(live_output(dictionary, records), whole)
    moments = {entry.key: entry.body for entry in whole.entries if entry.topic == "moment"}
    assert moments["apogee"]["height_m"] == pytest.approx(APOGEE_M, rel=0.03)
    assert {"lift_off", "apogee", "landing"} <= set(moments)
    assert whole.rows["ground_link"].columns["lost"][-1] + whole.rows["ground_link"].columns["damaged"][-1] >= 4


def test_altitude_instead_of_pressure_is_a_source_of_height() -> None:
    """Seen: "pad" to the end of a flight, and nothing said, though the dictionary's check accepts the role."""
    text = (FOLDER / "wren.toml").read_text("utf-8")
    pressure = 'type = "f32", unit = "Pa", display_unit = "hPa", role = "pressure", range = [30000, 110000]'
    assert pressure in text
    dictionary = parse_dictionary(text.replace(pressure, 'type = "f32", unit = "m", role = "altitude_baro"'))
    records = records_of(dictionary)
    whole = recorded_output(dictionary, records, ORIGIN_NS)
    assert_same(live_output(dictionary, records), whole)
    moments = {entry.key: entry.body for entry in whole.entries if entry.topic == "moment"}
    assert {"lift_off", "apogee", "landing"} <= set(moments)
    assert moments["apogee"]["height_m"] == pytest.approx(APOGEE_M, rel=0.03)


class Contradicting(HopVehicle):
    """Its accelerometer reads half of what it feels, as one with a wrong range does: heights say otherwise."""

    def _motion(self) -> tuple[str, float, float]:
        phase, height, force = super()._motion()
        return phase, height, {"boost": 0.5 * force}.get(phase, force)


@pytest.mark.parametrize(("kind", "told"), [(HopVehicle, ""), (Contradicting, "forces and barometer disagree")])
def test_why_there_is_no_predicted_apogee_stands_in_the_journal(kind: type[HopVehicle], told: str) -> None:
    """Seen: an apogee tile without a prediction in full coast, and nothing said why."""
    records = records_of(WREN, kind)
    whole = recorded_output(WREN, records, ORIGIN_NS)
    assert_same(live_output(WREN, records), whole)
    reasons = [str(entry.body["reason"]) for entry in whole.entries if entry.topic == "prediction"]
    assert reasons[0] == "no burnout seen yet"
    assert told in reasons[1:]
    assert len(reasons) < 6 and all(one != other for one, other in pairwise(reasons))


def test_without_an_attitude_no_force_tells_what_is_up_under_the_parachute() -> None:
    """Seen: a climb rate wrong by 17 m/s and no landing, since the force along the nose was taken for the vertical one."""
    records = records_of(WREN, NoseDown)
    whole = recorded_output(WREN, records, ORIGIN_NS)
    assert_same(live_output(WREN, records), whole)
    moments = {entry.key: entry.body for entry in whole.entries if entry.topic == "moment"}
    assert {"lift_off", "apogee", "landing"} <= set(moments)
    rows = whole.rows["ground_vertical"]
    hangs = (rows.t > moments["apogee"]["t"] + 4.0) & (rows.t < moments["landing"]["t"] - 1.0)
    assert hangs.sum() > 50
    assert rows.columns["climb_rate"][hangs].mean() == pytest.approx(-DESCENT_M_S, abs=0.3)
    assert abs(rows.columns["climb_rate"][hangs] + DESCENT_M_S).max() < 2.0


def test_a_line_nobody_described_is_told_as_such() -> None:
    lines = [Record(Kind.RECEIVED, i, ORIGIN_NS + i, b"$OTHER,1*%02X\r\n" % xor8(b"OTHER,1")) for i in range(2)]
    entries = recorded_output(WREN, lines, ORIGIN_NS).entries
    assert {entry.text for entry in entries if entry.topic == "damage"} == {"a line's first value is not in the dictionary"}


# ---------------------------------------------------------------- the desk


class Desk:
    """A command queue that is heard and held, without interlocks' readings; its operator has allowed unbound commands."""

    def __init__(self, dictionary: Dictionary, phase: float = 2.0, *, allowed: bool = True) -> None:
        self.phase = phase
        self.queue = CommandQueue(dictionary, self, Addressee(dictionary, KEY))
        self.queue.on_holder("Ada 1", 0.0)
        self.queue.on_link(True, 0.0)
        if dictionary.is_bound:
            memory = VehicleLink(dictionary, KEY, 7).memory
            self.queue.on_boot_id(7, 0.0)
            self.queue.on_identity(Identity.of(tuple(memory.identity(0).values(KEY, 0).values())), 0, 0.0)
        else:
            self.queue.on_boot_id(0, 0.0)
            assert not allowed or self.queue.allow_unbound("Ada 1", 0.0).ok
        self.sent = 0

    def reading(self, role: str, now_s: float) -> Reading | None:
        """The vehicle tells its phase and nothing else."""
        if role == "ground.link_lag":
            return Reading(0.0, now_s)
        return Reading(self.phase, now_s) if role == "vehicle_phase" else None

    def run(self, begin_s: float, seconds: float) -> None:
        """Let time pass and carry out what the queue asks for."""
        for step in range(round(seconds / 0.05)):
            now = begin_s + 0.05 * step
            self.queue.tick(now)
            for action in self.queue.take_actions():
                if type(action).__name__ == "Prepare":
                    self.queue.on_prepared(action.id, 7, b"frame", now)
                elif type(action).__name__ == "Transmit":
                    self.sent += 1
                    self.queue.on_written(action.id, None, now)


def test_a_command_without_answers_is_sent_once_and_its_outcome_is_unknown() -> None:
    desk = Desk(WREN)
    reply = desk.queue.submit("camera_power", {"camera": 1, "on": 1}, "Ada 1", 0.0)
    desk.run(0.0, 8.0)
    view = desk.queue.view(reply.id)
    assert desk.sent == 1 and view.state is State.UNKNOWN
    assert "does not answer" in view.reason


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_nothing_but_safe_all_goes_out_before_the_operator_allows_it(dictionary: Dictionary) -> None:
    desk = Desk(dictionary, allowed=False)
    asked = ("camera_power", {"camera": 1, "on": 1}, "Ada 1", 0.0)
    assert "allow routine ones for this session first" in desk.queue.submit(*asked).sentence
    desk.run(0.0, 1.0)
    assert desk.sent == 0 and desk.queue.safe_all("Ada 1", 1.0).ok
    desk.run(1.0, 12.0)
    assert desk.sent == UNANSWERED_SAFE_ALLS
    assert desk.queue.allow_unbound("Ada 1", 13.0).ok and desk.queue.submit(*asked[:3], 13.0).ok


def test_safe_all_is_repeated_a_few_times_and_then_unknown() -> None:
    desk = Desk(WREN)
    reply = desk.queue.safe_all("Ada 1", 0.0)
    desk.run(0.0, 12.0)
    assert blind_safe_all(WREN).startswith(f"{UNANSWERED_SAFE_ALLS} times, ")
    assert desk.sent == UNANSWERED_SAFE_ALLS and desk.queue.view(reply.id).state is State.UNKNOWN
    assert desk.queue.submit("camera_power", {"camera": 1, "on": 1}, "Ada 1", 12.0).ok


def test_our_own_wire_still_repeats() -> None:
    desk = Desk(SANDPIPER)
    desk.queue.submit("camera_power", {"camera": 1, "on": 1}, "Ada 1", 0.0)
    desk.run(0.0, 8.0)
    assert desk.sent == SANDPIPER.uplink.sends_at_most == 3


def test_hazardous_commands_need_the_owners_word() -> None:
    refused = Desk(WREN).queue.arm("recovery_arm", {"channel": 1}, "Ada 1", 0.0)
    assert not refused.ok and "cannot authenticate" in refused.sentence
    accepted = WREN.text.replace('kind = "text"', f'kind = "text"\nrisk_accepted = "{RISK}"')
    for dictionary in (parse_dictionary(accepted), PLOVER):
        assert Desk(dictionary).queue.arm("recovery_arm", {"channel": 1}, "Ada 1", 0.0).ok


def test_the_page_is_told_what_such_commands_are_worth() -> None:
    notes = [dictionary_shape(d, False, None, None)["commands_note"] for d in (WREN, PLOVER, SANDPIPER)]
    assert "neither authenticated nor answered" in notes[0] and "refused" in notes[0]
    assert "accepted" in notes[1] and notes[2] == ""


# ---------------------------------------------------------------- the whole way


def free_port() -> int:
    """Return a port that was free a moment ago."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.mark.parametrize("name", SAMPLES)
def test_a_station_records_a_sample_vehicle(name: str, tmp_path: Path) -> None:
    """The station is up and looking for its port before the vehicle is switched on, however busy the machine is."""
    file, url = str(FOLDER / f"{name}.toml"), f"socket://127.0.0.1:{free_port()}"
    station = Process(tmp_path, "live", "--port", url, "--dictionary", file, "--no-browser", "--http-port", "0")
    try:
        station.line("Page: ", 60)
        flags = ["--dictionary", file, "--rate", "20", "--ignite-after", "200", "--quit-when", "landed"]
        twin = Process(tmp_path, "twin", "--listen", url, *flags)
        try:
            twin.line("landed", 60)
            twin.process.wait(20)
        finally:
            twin.stop()
    finally:
        lines = station.stop()
    (session,) = [line for line in lines if line.endswith(".pcapng")]
    summary = summarize(open_review(Path(session)))
    assert summary["vehicle"] == SAMPLES[name].vehicle and set(summary["packets"]) == {"state", "switches"}
    assert summary["apogee"]["height_m"] == pytest.approx(APOGEE_M, rel=0.05)
