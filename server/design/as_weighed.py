"""What was weighed and swung without motor and charges, held against the sheet's pieces and carried over into its keys.

The sheet's numbers are of the vehicle as it flies, motor half burned; what swings on strings has no motor in it. What was
taken out comes back by the parallel-axis theorem: the measured body is a rod of its mass and inertia at its center.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt

from server.design.configuration import Configuration
from server.flight.airframe.mass_list import Piece, Sum, summed
from server.problems import Problem

# Where the sheet keeps each: how much of the propellant has burned.
LIFTED, HALF, BURNED = 0.0, 0.5, 1.0


class PieceProblem(Problem):
    """A piece that the sheet does not list; the text is one plain sentence."""


@dataclass(frozen=True)
class Bare:
    """The vehicle without its propellant and the pieces taken out, by the sheet's list, and what was taken out."""

    sum: Sum
    out: tuple[Piece, ...]
    propellant: Piece | None

    def words(self) -> str:
        """Return what was taken out, in words."""
        names = [piece.name for piece in self.out] + (["propellant"] if self.propellant else [])
        return ", ".join(names) or "nothing"


def bare(configuration: Configuration, taken_out: Sequence[str] = ()) -> Bare:
    """Return the vehicle as it was weighed, by its pieces; propellant is always out. Raises PieceProblem."""
    pieces = [*configuration.masses, *(one.piece for one in configuration.fin_sets)]
    names = [piece.name for piece in pieces]
    for name in taken_out:
        if name not in names:
            raise PieceProblem(f"The sheet lists no piece {name[:40]!r}; there are: {', '.join(names)}.")
    left = [piece for piece in pieces if piece.name not in taken_out]
    if not left or sum(piece.mass_kg for piece in left) <= 0.0:
        raise PieceProblem("Without the pieces taken out nothing would be left of the vehicle.")
    out = tuple(piece for piece in pieces if piece.name in taken_out)
    return Bare(summed(left), out, None if configuration.motor is None else configuration.motor.propellant)


def as_flown(mass_kg: float, center_m: float, inertia_kg_m2: float, taken: Bare, burned: float) -> Sum:
    """Return mass, center and lateral inertia with what was taken out put back, a share of the propellant burned.

    Source: parallel-axis theorem (`mass_list`). The measured body stands as a thin rod of its own mass and inertia.
    """
    body = Piece("as measured", mass_kg, center_m, sqrt(12.0 * inertia_kg_m2 / mass_kg))
    back = list(taken.out)
    if taken.propellant is not None:
        back.append(replace(taken.propellant, mass_kg=taken.propellant.mass_kg * (1.0 - burned)))
    return summed([body, *back])


def apart(measured: float, sigma: float, computed: float) -> str:
    """Return in words how far a measurement lies from the pieces' sum, with its 95 % interval in percent."""
    share, doubt = 100.0 * (measured / computed - 1.0), 100.0 * 1.96 * sigma / abs(computed)
    if abs(share) <= doubt:
        return f"agrees with the pieces ({share:+.1f} %, within its doubt of {doubt:.1f} %)"
    side = "more" if share > 0.0 else "less"
    return f"is {abs(share):.1f} % {side} than the pieces give (95 %: {share - doubt:+.1f} to {share + doubt:+.1f} %)"


def sheet_text(keys: Mapping[str, tuple[float, float]], made_by: str, date: str, note: str) -> str:
    """Return sheet lines, value and standard deviation by key, with where they come from; `note` stands above them."""
    lines = [f"# {made_by}, {date}. {note}", "[vehicle]"]
    lines += [f"{key} = {value:.6g}  # one standard deviation {sigma:.2g}, {date}" for key, (value, sigma) in keys.items()]
    return "\n".join(lines) + "\n"
