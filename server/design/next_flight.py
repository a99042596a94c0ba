"""The next flight, computed from the vehicle's sheet and from the drag of the last one; and what a change does.

`flight_basis` gathers what is known (sheet, site, the figures of a flown session, if any) and says where each number comes
from; `foreseen_flight` computes one flight and holds it against rules of thumb. With a flown session the same computation is
also shown for that flight beside what was measured, so that its error can be seen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NotRequired, TypedDict, TypeVar

from server.design.configuration import (
    AirframeNumbers,
    ConfigurationProblem,
    SheetAgreement,
    against_the_sheet,
    margin_words,
    told,
)
from server.design.configuration_sheet import configuration_of
from server.design.flight_basis import FlightChange, NextFlightProblem, basis_of, changed
from server.design.foreseen_flight import ForeseenFlight, RuleOfThumb, foreseen, limits_of
from server.design.pad_wind import PadWind
from server.design.sheet_numbers import sheet_numbers_of
from server.flight.air.atmosphere import pad_density_kg_m3

T = TypeVar("T")


class NextFlight(TypedDict):
    """The flight as the sheet has it, with the change if one was asked for, and where the numbers come from."""

    as_it_is: ForeseenFlight
    sources: dict[str, str]
    limits: list[RuleOfThumb]
    changed: NotRequired[ForeseenFlight]
    flown: dict[str, float]


class ConfigurationNumbers(AirframeNumbers):
    """What follows from the sheet's configuration, the margin in words, and the sheet's own numbers beside it."""

    margin_words: str
    against_sheet: list[SheetAgreement]


class Reason(TypedDict):
    """Why something cannot be told, in one sentence."""

    reason: str


class PlannedFlight(TypedDict):
    """Configuration and next flight of a session's sheet, each a reason where it cannot be told."""

    configuration: ConfigurationNumbers | Reason
    next_flight: NextFlight | Reason


def next_flight(
    vehicle: Mapping[str, object],
    site: Mapping[str, object],
    figures: Mapping[str, Mapping[str, object]],
    change: FlightChange | None = None,
    wind: PadWind | None = None,
) -> NextFlight:
    """Return the flight as the sheet has it and with the change; with figures of a session also what was flown.

    Raises NextFlightProblem and ConfigurationProblem.
    """
    basis = basis_of(vehicle, site, figures, wind)
    flown = {
        "apogee_m": figures.get("apogee", {}).get("height_m"),
        "rail_exit_speed_m_s": figures.get("rail_exit", {}).get("speed_m_s"),
    }
    flight = foreseen(basis)
    told_now: NextFlight = {
        "as_it_is": flight,
        "sources": dict(basis.sources),
        "limits": limits_of(flight),
        "flown": {name: value for name, value in flown.items() if isinstance(value, float)},
    }
    if change is not None and change != FlightChange():
        other = changed(basis, change)
        told_now["changed"] = foreseen(other)
        told_now["sources"] = dict(other.sources)
        told_now["limits"] = limits_of(told_now["changed"])
    return told_now


def configured(vehicle: Mapping[str, object], site: Mapping[str, object]) -> ConfigurationNumbers:
    """Return what follows from the sheet's configuration in the air at the site's pad, the sheet's own numbers beside it.

    Raises NextFlightProblem when there is none, ConfigurationProblem when it is wrong.
    """
    configuration = configuration_of(vehicle)
    if configuration is None:
        raise NextFlightProblem("The sheet does not say what the vehicle is built of: it has no [vehicle.configuration].")
    facts = sheet_numbers_of(vehicle, site)
    numbers = told(configuration, pad_density_kg_m3(facts.elevation_m, facts.pad_temperature_k))
    words = margin_words(min(numbers["liftoff"]["margin_calibers"], numbers["burnout"]["margin_calibers"]))
    return {**numbers, "margin_words": words, "against_sheet": against_the_sheet(numbers, vehicle)}


def planned(
    vehicle: Mapping[str, object],
    site: Mapping[str, object],
    figures: Mapping[str, Mapping[str, object]],
    wind: PadWind | None = None,
) -> PlannedFlight:
    """Return configuration and next flight as a session's sheet has them, each a reason where it cannot be told."""

    def told_or_why(work: Callable[[], T]) -> T | Reason:
        try:
            return work()
        except (NextFlightProblem, ConfigurationProblem) as problem:
            return {"reason": str(problem)}

    return {
        "configuration": told_or_why(lambda: configured(vehicle, site)),
        "next_flight": told_or_why(lambda: next_flight(vehicle, site, figures, wind=wind)),
    }
