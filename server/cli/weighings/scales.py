"""`blockhouse weigh scales`: mass and center of gravity from two scales."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import UTC, datetime

from server.cli.paper import ACT, TITLE, Block, Words, show
from server.cli.weighings.sheet_part import OutProblem, pieces_of, sheets_of, write_new
from server.cli.weighings.swing import CAUTION
from server.design.as_weighed import BURNED, HALF, LIFTED, Bare, apart, as_flown, sheet_text
from server.flight.digits import with_doubt
from server.flight.weighing.pendulum import Measured
from server.flight.weighing.scales import Weighed, reading, weighed


def run(options: argparse.Namespace) -> int:
    """Work out and tell."""
    show([Words(f"CAUTION: {CAUTION}", ACT)])
    told = weighed(
        reading(options.front_kg, options.scale_sigma_kg),
        reading(options.rear_kg, options.scale_sigma_kg),
        Measured(options.front_m, options.place_sigma_m),
        Measured(options.rear_m, options.place_sigma_m),
    )
    vehicle, _ = sheets_of(options.sheet)
    taken = pieces_of(vehicle, options.without)
    show(scales_blocks(told, taken))
    if options.out:
        if taken is None:
            raise OutProblem("The sheet's lines need a sheet that lists the pieces (--sheet).")
        day = datetime.now(UTC).date().isoformat()
        note = f"As flown; measured without {taken.words()}: {told.mass.value:.4g} kg at {told.center.value:.4g} m."
        show([Words(write_new(options.out, sheet_text(flown_keys(told, taken), "Two scales", day, note)))])
    return 0


def flown_keys(told: Weighed, taken: Bare) -> dict[str, tuple[float, float]]:
    """Return the sheet's keys, each with its standard deviation: what was taken out put back."""
    inertia = taken.sum.lateral_inertia_kg_m2
    lifted, half, burned = (
        as_flown(told.mass.value, told.center.value, inertia, taken, share) for share in (LIFTED, HALF, BURNED)
    )
    share = told.mass.value / half.mass_kg
    return {
        "liftoff_mass_kg": (lifted.mass_kg, told.mass.sigma),
        "burnout_mass_kg": (burned.mass_kg, told.mass.sigma),
        "center_of_gravity_m": (half.center_m, told.center.sigma * share),
    }


def scales_blocks(told: Weighed, taken: Bare | None) -> Iterator[Block]:
    """Yield what is printed of a weighing."""
    yield Words(f"Mass {with_doubt(told.mass.value, told.mass.sigma)} kg, center of gravity "
                f"{with_doubt(told.center.value, told.center.sigma)} m from the nose tip (95 %), as it lay: without motor "
                "and charges.", TITLE)  # fmt: skip
    if taken is None:
        return
    theirs = f"{taken.sum.mass_kg:.3f} kg at {taken.sum.center_m:.3f} m"
    yield Words(f"By the sheet's pieces without {taken.words()}: {theirs}.", "", 2)
    yield Words(f"The mass {apart(told.mass.value, told.mass.sigma, taken.sum.mass_kg)}.", "", 2)
    off, doubt = 1000.0 * (told.center.value - taken.sum.center_m), 1960.0 * told.center.sigma
    said = (
        "agrees with the pieces"
        if abs(off) <= doubt
        else f"lies {abs(off):.0f} mm {'behind' if off > 0 else 'before'} theirs"
    )
    yield Words(f"The center of gravity {said} ({off:+.1f} mm, 95 % within {doubt:.1f} mm).", "", 2)
    for key, (value, sigma) in flown_keys(told, taken).items():
        yield Words(f"{key} = {with_doubt(value, sigma)}, with {taken.words()} put back by the sheet.", "", 2)
