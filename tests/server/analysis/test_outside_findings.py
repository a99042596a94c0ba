"""What is found of descents with a sheet, of invented vehicles; the table heads test_outside_rows.py."""

from __future__ import annotations

import pytest

from tests.server.analysis.outside import DUAL, FAST, air_packet, flown, forces, pressures, told, unit_packet

SHEET = {"burnout_mass_kg": 3.0, "descent_both_m_s": 6.0, "descent_one_m_s": 20.0}


@pytest.mark.parametrize("layout", ["barometer", "force"])
@pytest.mark.parametrize("loss", [0.0, 0.15])
def test_a_perfect_dual_deployment_came_down_under_both(layout: str, loss: float) -> None:
    """Seen: "came down under one parachute", told under the drogue and never taken back."""
    flight = flown("dual", **DUAL)
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight))]
    heard = told(flight, packets[: 1 if layout == "barometer" else 2], vehicle=SHEET, loss=loss, seed=2)
    figure = heard.figure("descent")
    assert figure["under"] == "both"
    assert [stage["kind"] for stage in figure.get("stages", [])] == ["drogue", "main"]
    assert heard.number("descent", "landing_m_s") == pytest.approx(flight.moments["landing_speed"], rel=0.15)
    assert [text for text in heard.findings() if not text.startswith("thin link")] == []


def test_one_parachute_all_the_way_is_still_found() -> None:
    flight = flown("single", **{**DUAL, "main_at_m": -1e9})
    heard = told(flight, [air_packet(pressures(flight)), unit_packet(forces(flight))], vehicle=SHEET)
    assert heard.figure("descent")["under"] == "one"
    assert [text for text in heard.findings() if text.startswith("came down under one parachute")]


@pytest.mark.parametrize("layout", ["barometer", "force"])
def test_a_fall_that_a_parachute_ended_late_was_not_ballistic(layout: str) -> None:
    """Seen: "came down ballistic", told while it fell, for a vehicle that a parachute brought down after all."""
    flight = flown("single", **{**FAST, "deploy_after_s": 18.0, "drogue_m_s": 6.0})
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight, hangs=(0.0, 0.0, 0.02)))]
    heard = told(flight, packets[: 1 if layout == "barometer" else 2])
    assert heard.findings() and all(text.startswith("nothing slowed it until ") for text in heard.findings())


@pytest.mark.parametrize("seed", range(4))
def test_what_was_held_back_before_its_parachute_held_it_was_not_slowed_by_nothing(seed: int) -> None:
    """Seen: "nothing slowed it until 2 s after apogee: it fell at 24 m/s", by one second of heights, for a steady 20 m/s."""
    flight = flown("dual", **{**DUAL, "drogue_m_s": 22.0, "deploy_after_s": 0.5, "main_m_s": 4.5, "main_at_m": 830.0})
    air = pressures(flight, noise_pa=15.0, seed=seed)
    heard = told(flight, [air_packet(air), unit_packet(forces(flight))], seed=seed)
    assert [text for text in heard.findings() if text.startswith("nothing slowed it")] == []


def test_one_that_really_fell_freely_for_three_seconds_is_found() -> None:
    flight = flown("single", **{**DUAL, "drogue_m_s": 5.0, "deploy_after_s": 3.0, "main_at_m": -1e9})
    heard = told(flight, [air_packet(pressures(flight)), unit_packet(forces(flight))])
    assert [text for text in heard.findings() if text.startswith("nothing slowed it until ")]
