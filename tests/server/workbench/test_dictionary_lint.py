"""The looking over: the samples pass, the budget is the frames' own sizes, each planted mistake is found."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.dictionary_file import parse_dictionary
from protocol.foreign.framings import foreign_framing
from server.workbench.dictionary_lint import findings, link_budget
from server.workbench.lint_remark import CAUTION, FAULT
from tests.protocol.foreign.foreign_helpers import PLOVER, WREN
from tests.protocol.helpers import HEAD, SANDPIPER
from tests.traffic import KEY, VehicleLink


def test_the_sandpiper_has_no_fault_and_no_caution() -> None:
    assert [finding for finding in findings(SANDPIPER) if finding.severity in (FAULT, CAUTION)] == []


def test_the_budget_is_the_size_of_the_frames_themselves() -> None:
    budget, link = link_budget(SANDPIPER), VehicleLink(SANDPIPER, KEY, 1)
    sizes = {name: size for name, size, _ in budget.packets}
    for name, packet in SANDPIPER.packets.items():
        zeros = {c.name: "" if c.kind == "text" else c.offset for c in packet.channels}
        assert sizes[name] == len(link.frame(name, 0, zeros))
    assert budget.total == sum(sizes[p.name] * p.rate_hz for p in SANDPIPER.packets.values())
    assert budget.capacity == 5760.0 and not budget.estimated


def test_lines_are_estimated_and_records_exact() -> None:
    assert link_budget(WREN).estimated and not link_budget(PLOVER).estimated
    record = foreign_framing(PLOVER).encode("switches", {"time": 0, "camera": 0, "continuity": 0, "armed": 0})
    assert dict((name, size) for name, size, _ in link_budget(PLOVER).packets)["switches"] == len(record)


def test_a_vehicle_of_version_1_without_a_safe_all_is_cautioned() -> None:
    text = (Path(__file__).parents[2] / "sandpiper_1.toml").read_text("utf-8")
    assert not any("none with safes_all" in f.text for f in findings(parse_dictionary(text)))
    found = findings(parse_dictionary(text.replace("safes_all = true\n", "")))
    assert any(f.severity == CAUTION and "none with safes_all" in f.text for f in found)


@pytest.mark.parametrize(
    ("old", "new", "severity", "text"),
    [
        ("modem_baud = 57600", "modem_baud = 9600", FAULT, "more than the modem carries"),
        ("modem_baud = 57600", "modem_baud = 48000", CAUTION, "little room"),
        ('role = "vehicle_phase", values', "values", CAUTION, "no field has the role vehicle_phase"),
        ('role = "uplink.frames_good", ', "", None, ""),
        ('role = "answer.counter", ', "", FAULT, "no field has the role answer.counter"),
        ("caution_high = 4.0", "caution_high = 400.0", CAUTION, "can never be passed: the field holds 0..65.535"),
        ("range = [30000, 110000]", "range = [1e9, 2e9]", CAUTION, "range lies outside"),
        ("rate_hz = 20\n", "rate_hz = 30\n", "note", "no whole number of milliseconds"),
        ('interlocks = ["link_fresh", "link_loss", "on_ground"]\n', "", CAUTION, "is hazardous and has no interlock"),
        (
            'code = 0x4B\nhazard = "hazardous"',
            'code = 0x4B\nhazard = "routine"',
            FAULT,
            "one act is too little: it is not sent",
        ),
        (
            'code = 0x4B\nhazard = "hazardous"',
            'code = 0x4B\nhazard = "guarded"',
            CAUTION,
            "arms or fires a channel and is guarded",
        ),
        ('{ role = "uplink.last_counter", at_least', '{ role = "nobodys.role", at_least', FAULT, "no field has the role"),
    ],
)
def test_a_planted_mistake_is_found(old: str, new: str, severity: str | None, text: str) -> None:
    assert old in SANDPIPER.text
    found = list(findings(parse_dictionary(SANDPIPER.text.replace(old, new, 1))))
    fresh = [f for f in found if f not in list(findings(SANDPIPER))]
    if severity is None:
        assert fresh == []
    else:
        assert any(f.severity == severity and text in f.text for f in fresh), fresh


def test_a_long_packet_and_unauthenticated_hazards_are_cautions() -> None:
    long = parse_dictionary(HEAD + '[packet.a]\napid = 1\nfields = [ { name = "t", type = "text200" } ]')
    assert any("cut what is longer" in finding.text for finding in findings(long))
    assert any("cannot authenticate" in finding.text for finding in findings(WREN))
    assert not any("cannot authenticate" in finding.text for finding in findings(PLOVER))


@pytest.mark.parametrize(
    ("field", "severity", "text"),
    [
        ('unit = "Pa", role = "presure"', CAUTION, "nothing uses the role presure; the nearest is pressure"),
        ('unit = "m", role = "pressure"', FAULT, "the role pressure is in Pa, to which m cannot be converted"),
        ('role = "pressure"', CAUTION, "has no unit; the role pressure takes it for Pa"),
        ('unit = "hPa", role = "pressure"', None, ""),
        ('unit = "ft", role = "altitude_baro"', None, ""),
        ('unit = "deg", role = "gnss.latitude"', "note", "holds degrees to half a meter"),
    ],
)
def test_a_role_is_looked_up(field: str, severity: str | None, text: str) -> None:
    one = parse_dictionary(HEAD + f'[packet.a]\napid = 1\nfields = [ {{ name = "x", type = "f32", {field} }} ]')
    found = [(f.severity, f.text) for f in findings(one) if f.place == "packet.a.x"]
    assert len(found) == (severity is not None), found
    if severity is not None:
        assert found[0][0] == severity and text in found[0][1]


def test_limits_of_a_converted_field_are_held_against_what_it_holds() -> None:
    text = 'name = "x", type = "u16", unit = "hPa", role = "pressure", limits = { caution_low = 900 }'
    one = parse_dictionary(HEAD + f"[packet.a]\napid = 1\nfields = [ {{ {text} }} ]")
    assert not any("can never be passed" in f.text for f in findings(one))
