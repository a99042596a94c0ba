"""`blockhouse weigh swing`: inertia from the period of a swing on strings."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from math import degrees

from protocol.arrays import Floats
from server.cli.paper import ACT, GAP, LOOK, TITLE, Block, Table, Words, show
from server.cli.weighings.heard import Heard, HeardProblem, listened, recorded
from server.cli.weighings.sheet_part import pieces_of, sheets_of, write_new
from server.design.as_weighed import HALF, Bare, apart, as_flown, sheet_text
from server.flight.airframe.mass_list import Sum
from server.flight.digits import with_doubt
from server.flight.weighing.pendulum import Hung, Measured, gravity_at, inertia, moved_air
from server.flight.weighing.swing import Swing, swing

UNITS = {"a": tuple(f"gyro.a.{axis}" for axis in "xyz"), "b": tuple(f"gyro.b.{axis}" for axis in "xyz")}
NAVIGATION = tuple(f"body_rate.{axis}" for axis in "xyz")
CAUTION = "Motor, igniters and all charges out, arming key out, before anybody hangs or handles the vehicle."
MADE_BY = "Swing on strings"
Sheet = Mapping[str, object]


def run(options: argparse.Namespace) -> int:
    """Listen or read, fit, and tell."""
    show([Words(f"CAUTION: {CAUTION}", ACT)])
    heard = recorded(options.session) if options.session else listened(
        options.port, options.baud, options.dictionary, options.seconds
    )  # fmt: skip
    vehicle, site = sheets_of(options.sheet, (heard.vehicle, heard.site))
    hung = hung_of(options, site)
    t, rates = rates_of(heard, options.unit)
    found = swing(t, rates, hung, options.axis)
    taken = pieces_of(vehicle, options.without)
    center = options.center_m if options.center_m is not None else taken.sum.center_m if taken else None
    told = inertia(hung, found.period, air_of(vehicle, center) if found.axis == "lateral" else None)
    show(swing_blocks(found, hung, told, taken))
    if found.axis == "lateral" and taken is not None and center is not None:
        flown = as_flown(hung.mass.value, center, told.value, taken, HALF)
        show(flown_blocks(taken, flown))
        if options.out:
            keys = {"lateral_inertia_kg_m2": (flown.lateral_inertia_kg_m2, told.sigma)}
            note = f"Motor half burned; measured without {taken.words()}: {told.value:.6g} kg m2."
            show([Words(write_new(options.out, sheet_text(keys, MADE_BY, heard.day.isoformat(), note)))])
    elif options.out and found.axis == "roll":
        keys = {"roll_inertia_kg_m2": (told.value, told.sigma)}
        note = "As it hung, without motor and charges."
        show([Words(write_new(options.out, sheet_text(keys, MADE_BY, heard.day.isoformat(), note)))])
    elif options.out:
        raise HeardProblem("A sheet's line of a lateral swing needs a sheet that lists the pieces (--sheet).")
    return 0


def hung_of(options: argparse.Namespace, site: Sheet) -> Hung:
    """Return how it hangs, with the site's gravity where the sheet tells its place."""
    lengths = (
        Measured(options.mass_kg, options.mass_sigma_kg),
        Measured(options.spacing_m, options.spacing_sigma_m),
        Measured(options.length_m, options.length_sigma_m),
    )
    latitude, height = site.get("lat_deg"), site.get("elevation_m", 0.0)
    if isinstance(latitude, int | float) and isinstance(height, int | float):
        return Hung(*lengths, gravity_at(latitude, height))
    return Hung(*lengths)


def rates_of(heard: Heard, unit: str | None) -> tuple[Floats, Floats]:
    """Return times (n,) and rates (n, 3) about body axes, of the unit asked for or the first there is."""
    for roles in (UNITS[unit],) if unit else (*UNITS.values(), NAVIGATION):
        series = heard.series(roles)
        if series is not None:
            return series
    raise HeardProblem("No turn rates about all three axes were heard (roles gyro.a, gyro.b or body_rate).")


def air_of(vehicle: Sheet, center_m: float | None) -> Measured | None:
    """Return the air that turns along, where the sheet gives diameter and length."""
    diameter, length = vehicle.get("diameter_m"), vehicle.get("length_m")
    if not isinstance(diameter, int | float) or not isinstance(length, int | float):
        return None
    return moved_air(diameter, length, 0.0 if center_m is None else center_m - 0.5 * length)


def swing_blocks(found: Swing, hung: Hung, told: Measured, taken: Bare | None) -> Iterator[Block]:
    """Yield what is printed of a swing."""
    yield Words(f"Inertia about the {found.axis} axis: {with_doubt(told.value, told.sigma)} kg m\u00b2 (95 %), as it hung: "
                "without motor and charges.", TITLE)  # fmt: skip
    yield Table(
        [
            ("period of small swings", f"{with_doubt(found.period.value, found.period.sigma)} s"),
            ("swings used", f"{found.swings:.0f}, from {found.begin_s:.1f} s to {found.end_s:.1f} s of the record"),
            ("amplitude at first", f"{degrees(found.amplitude_rad):.1f}\u00b0, taken into account"),
            ("left unexplained", f"{degrees(found.noise_rad_s):.2f} deg/s"),
            *((("also sways", f"{hz:.2f} Hz, fitted along"),) if (hz := next(iter(found.others_hz), 0.0)) else ()),
        ],
        indent=2,
    )
    causes = {
        "period": 2.0 * found.period.share, "spacing of the strings": 2.0 * hung.spacing.share, "mass": hung.mass.share,
        "length of the strings": hung.length.share, "gravity": hung.gravity.share,
    }  # fmt: skip
    yield Words("Where the doubt comes from (one standard deviation)", "", 2)
    yield Table([(name, f"{100.0 * share:.2f} %") for name, share in causes.items()], (), frozenset({1}), indent=4)
    worst = max(causes, key=lambda name: causes[name])
    if told.share > 0.01:
        yield Words(f"To change: most of the doubt is the {worst}; measure it better, or hang it wider and longer.", LOOK, 2)
    if abs(hung.sway_hz - 1.0 / found.period.value) < 0.1 / found.period.value:
        yield Words("To change: it sways nearly as fast as it turns, and the two mix: take other strings.", LOOK, 2)
    if found.axis == "lateral" and taken is not None:
        yield Words(f"By the sheet's pieces without {taken.words()}: {taken.sum.lateral_inertia_kg_m2:.4g} kg m\u00b2, "
                    f"{taken.sum.mass_kg:.3f} kg.", "", 2)  # fmt: skip
        yield Words(f"The measured inertia {apart(told.value, told.sigma, taken.sum.lateral_inertia_kg_m2)}.", "", 2)
        yield Words(f"The weighed mass {apart(hung.mass.value, hung.mass.sigma, taken.sum.mass_kg)}.", "", 2)
    yield GAP


def flown_blocks(taken: Bare, flown: Sum) -> Iterator[Block]:
    """Yield what is printed of the vehicle as it flies."""
    yield Words(f"With {taken.words()} put back by the sheet, motor half burned: lateral_inertia_kg_m2 = "
                f"{flown.lateral_inertia_kg_m2:.4g}, center_of_gravity_m = {flown.center_m:.3f}.")  # fmt: skip
