"""The servo cable's tracker: too early, at deployment, on the ground; in any cut, with losses, NaN and missing roles."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import Output, recorded_output
from server.recording.records import Kind, Record
from server.review.review import open_review
from server.review.summary import summarize
from server.telemetry.journal import JournalEntry
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, cut, live_output
from tests.server.flights import FACTS, KEY, dictionary, flown, recorded

PHASES = ("startup", "ground test", "pad", "boost", "coast", "descent", "landed")
LIFT_OFF_S, DEPLOYED_S, LANDED_S, END_S = 5.0, 12.0, 20.0, 24.0
FOREVER = (math.inf, math.inf)


def stream(
    opened: tuple[float, float] = FOREVER,
    *,
    deployed_s: float = DEPLOYED_S,
    described: Dictionary | None = None,
    values: Mapping[str, float] | None = None,
    lost: tuple[float, float] = FOREVER,
    on_again: Callable[[float], bool] = lambda t: False,
) -> bytes:
    """Return a flight of fins and control packets; the bus is dead from `opened[0]` to `opened[1]`, `lost` is not heard.

    Floats of any kind can be sent where the dictionary has them; `values` replaces what the fins tell while it is open.
    """
    described = described or dictionary()
    link, out = VehicleLink(described, KEY, 1), b""
    for ms in range(0, round(END_S * 1000), 50):
        t = ms / 1000.0
        is_open = opened[0] <= t < opened[1] and not on_again(t)
        fins = {"bus_voltage": 0.0 if is_open else 8.0, "frame_age": min(t - opened[0] + 0.01, 60.0) if is_open else 0.01}
        phase = "pad" if t < LIFT_OFF_S else "coast" if t < deployed_s else "descent" if t < LANDED_S else "landed"
        released = int(t >= deployed_s)
        flags = {"phase": PHASES.index(phase), "separated": released, "deployed": released, "enabled": int(t >= 7.0)}
        frames = _frame(link, described, "fins", ms, {**fins, **((values or {}) if is_open else {})})
        if ms % 100 == 0:
            frames += _frame(link, described, "control", ms, flags)
        out += b"" if lost[0] <= t < lost[1] else frames
    return out


def _frame(link: VehicleLink, described: Dictionary, packet: str, ms: int, values: Mapping[str, float]) -> bytes:
    channels = {channel.name: channel.offset for channel in described.packets[packet].channels}
    return link.frame(packet, ms, {**channels, **{name: value for name, value in values.items() if name in channels}})


def judged(data: bytes, described: Dictionary | None = None) -> Output:
    return recorded_output(described or dictionary(), [Record(Kind.RECEIVED, 0, 0, data)], 0)


def alarms(output: Output) -> list[tuple[str, str, float]]:
    return [(e.severity, e.body["state"], e.t) for e in output.entries if (e.topic, e.key) == ("alarm", "servo cable")]


def last(output: Output, topic: str) -> JournalEntry | None:
    told = [entry for entry in output.entries if entry.topic == topic and entry.key == "servo_cable"]
    return told[-1] if told else None


def test_an_opening_at_deployment_is_a_plain_line_and_nothing_else() -> None:
    for opened_s in (DEPLOYED_S - 0.25, DEPLOYED_S - 0.05, DEPLOYED_S, DEPLOYED_S + 0.4):
        output = judged(stream((opened_s, math.inf)))
        figure = last(output, "figure")
        assert alarms(output) == [] and last(output, "finding") is None
        assert figure.body["kind"] == "at deployment" and figure.text.endswith("as it should")
        assert figure.body["delay_s"] == pytest.approx(opened_s - DEPLOYED_S, abs=0.02)


def test_an_opening_in_the_coast_is_a_warning_until_deployment_and_a_finding_afterwards() -> None:
    output = judged(stream((8.0, math.inf)))
    assert [(severity, state) for severity, state, _ in alarms(output)] == [("warning", "raised"), ("info", "cleared")]
    assert 8.3 <= alarms(output)[0][2] < 8.5 and alarms(output)[1][2] == DEPLOYED_S
    finding = last(output, "finding")
    assert finding.severity == "warning" and finding.body["t"] == pytest.approx(8.0, abs=0.02)
    assert "4.0 s before deployment" in finding.text and "without fins from then on" in finding.text
    assert last(output, "figure").body["kind"] == "before deployment"


def test_control_that_comes_on_later_was_without_fins_too() -> None:
    text = last(judged(stream((6.0, math.inf))), "finding").text
    assert "control was enabled 1.0 s later, without fins" in text


def test_open_on_the_pad_is_a_caution_and_taken_off_with_it_a_warning() -> None:
    plugged_in = judged(stream((1.0, 2.5)))
    assert [(severity, state) for severity, state, _ in alarms(plugged_in)] == [("caution", "raised"), ("info", "cleared")]
    assert last(plugged_in, "finding") is None
    taken_off = judged(stream((1.0, math.inf)))
    assert [severity for severity, _, _ in alarms(taken_off)] == ["caution", "warning", "info"]
    assert "since before lift-off" in last(taken_off, "finding").text


def test_a_moment_without_it_on_the_pad_is_nothing() -> None:
    assert alarms(judged(stream((1.0, 1.6)))) == []


def test_a_contact_that_comes_back_in_flight_is_cleared_but_found() -> None:
    output = judged(stream((6.0, 8.0)))
    told = alarms(output)
    assert [state for _, state, _ in told] == ["raised", "cleared"] and 10.0 <= told[1][2] <= 10.2
    assert last(output, "finding") is not None


def test_a_contact_that_chatters_for_the_whole_climb_is_one_alarm() -> None:
    """Half a second off, one second on, again and again."""
    data = stream((6.0, math.inf), on_again=lambda t: (t - 6.0) % 1.5 >= 0.5)
    assert [state for _, state, _ in alarms(judged(data))] == ["raised", "cleared"]
    records = cut(data, random.Random(5), 60)
    assert_same(live_output(dictionary(), records), recorded_output(dictionary(), records, ORIGIN_NS))


def test_without_any_deployment_it_is_told_all_the_same() -> None:
    output = judged(stream((8.0, math.inf), deployed_s=1000.0))
    assert [state for _, state, _ in alarms(output)] == ["raised"]
    assert "before any deployment" in last(output, "finding").text


# ---------------------------------------------------------------- what is not heard, or no number


@pytest.mark.parametrize("lost", [(7.5, 9.0), (8.1, 11.5), (7.0, 11.9)])
def test_lost_packets_delay_it_and_do_not_hide_it(lost: tuple[float, float]) -> None:
    output = judged(stream((8.0, math.inf), lost=lost))
    figure = last(output, "figure")
    if lost[1] > 11.6:  # the vehicle deployed before three rows were heard
        assert figure.body["kind"] == "unheard" and "nothing was heard between" in figure.text
        return
    assert figure.body["kind"] == "before deployment"
    assert figure.body["t"] == pytest.approx(8.0, abs=0.02), "dated by the frame's age"


@pytest.mark.parametrize("lost", [(11.0, 13.0), (11.95, 12.6), (10.0, 15.0)])
def test_lost_packets_make_no_alarm_of_a_normal_opening(lost: tuple[float, float]) -> None:
    output = judged(stream((DEPLOYED_S, math.inf), lost=lost))
    assert alarms(output) == [] and last(output, "finding") is None
    assert last(output, "figure").body["kind"] == "unheard"


def test_frames_that_come_too_late_are_not_the_present() -> None:
    """Ten frames from before the opening arrive one by one among those after it."""
    frames = [frame + b"\0" for frame in stream((8.0, math.inf)).split(b"\0") if frame]
    first = next(i for i in range(len(frames)) if 8.0 * 30 <= i)  # thirty frames a second: twenty of fins, ten of control
    delayed = frames[first - 24 : first - 4]
    mixed = frames[: first - 24] + frames[first - 4 : first]
    for place, frame in enumerate(frames[first:]):
        mixed += [frame, *delayed[place : place + 1]]
    told, shuffled = (alarms(judged(b"".join(each))) for each in (frames, mixed))
    assert shuffled == told


def test_a_second_flight_after_a_restart_is_judged_for_itself() -> None:
    """The first flight parted as it should and was switched off; what it said of its deployment is over."""
    both = stream((DEPLOYED_S, math.inf)) + stream((8.0, math.inf))
    for longest in (5, 10**9):
        records = cut(both, random.Random(1), longest)
        output = live_output(dictionary(), records)
        assert_same(output, recorded_output(dictionary(), records, ORIGIN_NS))
        assert [state for _, state, _ in alarms(output)] == ["raised", "cleared"]


def floating() -> Dictionary:
    """The Sandpiper's dictionary with floats on the servo bus, as another vehicle may send them."""
    text = dictionary().text
    for name in ("bus_voltage", "frame_age"):
        text, count = re.subn(rf'name = "{name}", \s*type = "u16", scale = 0.001', f'name = "{name}", type = "f32"', text)
        assert count == 1
    return parse_dictionary(text)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_opens_nothing_and_hides_nothing(bad: float) -> None:
    described = floating()
    nothing = judged(stream((8.0, 10.0), described=described, values={"bus_voltage": bad, "frame_age": bad}), described)
    assert alarms(nothing) == [] and last(nothing, "finding") is None
    for name in ("bus_voltage", "frame_age"):
        output = judged(stream((8.0, math.inf), described=described, values={name: bad}), described)
        assert last(output, "finding") is not None, name
        assert all(math.isfinite(v) for e in output.entries for v in e.body.values() if isinstance(v, float))


def without(*roles: str) -> Dictionary:
    text = dictionary().text
    for role in roles:
        text, count = re.subn(rf'role = "{re.escape(role)}", ', "", text)
        assert count == 1, role
    return parse_dictionary(text)


@pytest.mark.parametrize("role", ["servo_bus.voltage", "servo_bus.frame_age", "deployment", "separation"])
def test_with_one_role_less_it_still_finds_it(role: str) -> None:
    described = without(role)
    output = judged(stream((8.0, math.inf), described=described), described)
    assert last(output, "finding") is not None
    normal = judged(stream((DEPLOYED_S, math.inf), described=described), described)
    assert last(normal, "finding") is None


def test_without_the_bus_nothing_is_said() -> None:
    described = without("servo_bus.voltage", "servo_bus.frame_age")
    output = judged(stream((8.0, math.inf), described=described), described)
    assert [e for e in output.entries if e.topic == "cable" or e.key in ("servo_cable", "servo cable")] == []


def test_without_flags_apogee_decides() -> None:
    """The real flights, told by a vehicle that says nothing of deployment or separation."""
    described = without("deployment", "separation")
    for scenario, found in (("calm", False), ("loose-cable", True)):
        output = recorded_output(described, flown(scenario).records(), 0, FACTS)
        assert (last(output, "finding") is not None) is found, scenario
        assert ([e.severity for e in output.entries if e.key == "servo cable"][:1] == ["warning"]) is found


# ---------------------------------------------------------------- any cut, real flights, the summary


@pytest.mark.parametrize(
    "opened", [(1.0, 2.5), (1.0, math.inf), (6.0, 8.0), (8.0, math.inf), (DEPLOYED_S, math.inf), FOREVER]
)
def test_any_cut_gives_the_same(opened: tuple[float, float]) -> None:
    data = stream(opened, lost=(8.6, 9.1))
    for longest in (3, 40, 900):
        records = cut(data, random.Random(longest), longest)
        assert_same(live_output(dictionary(), records), recorded_output(dictionary(), records, ORIGIN_NS))


def test_any_cut_of_the_real_flight_gives_the_same() -> None:
    records = cut(flown("loose-cable").stream, random.Random(7), 400)
    whole = recorded_output(dictionary(), records, ORIGIN_NS, FACTS)
    assert_same(live_output(dictionary(), records, FACTS), whole)
    assert last(whole, "finding") is not None


def test_the_real_flight_is_dated_and_measured_by_the_truth(tmp_path: Path) -> None:
    flight = flown("loose-cable")
    output = recorded_output(dictionary(), flight.records(), 0, FACTS)
    figure = last(output, "figure")
    assert figure.body["t"] == pytest.approx(flight.truth["servo_connector_open_s"], abs=0.03)
    assert figure.body["control_on"] and 130.0 < figure.body["height_m"] < 180.0
    told = summarize(open_review(recorded(tmp_path, flight)))
    gate = told["figures"]["gate"]
    assert gate["verdict"] == "cut short" and gate["fins_until_t"] == figure.body["t"]
    assert told["figures"]["servo_cable"]["kind"] == "before deployment"
    assert [alarm["text"] for alarm in told["alarms"]] == ["servo connector open before deployment: no voltage at the fins"]


def test_a_cable_that_shows_its_state_to_the_page() -> None:
    told = [(e.body["open"], round(e.body["since_t"], 1)) for e in judged(stream((8.0, 10.0))).entries if e.topic == "cable"]
    assert told == [(False, 0.0), (True, 8.0), (False, 10.0)]
