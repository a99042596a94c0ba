"""Two or more flights on one clock: aligned at a moment, resampled together, their numbers and sheets side by side.

Columns are brought to one even grid by linear interpolation between samples; where a recording is silent for more than a
second, or a sample is no number, there is nothing (NaN). Differences are each flight minus the first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.fields import Channel
from server.design.sheet_rows import sheet_rows
from server.problems import Problem
from server.review.moments import ROLL_RATE, moments_of, shown_first, span
from server.review.review import Review
from server.review.summary import summarize
from server.review.summary_shape import JudgedGoal, Moment, Summary
from server.telemetry.columns import columns_payload
from server.telemetry.tables import TableSpec

STEP_S = 0.05
LONGEST_GAP_S = 1.0
LONGEST_S = 1200.0
SESSIONS_AT_MOST = 6
BEFORE_S, AFTER_S = 1.0, 3.0  # around the flight from lift-off to apogee
TABLE = "compare"
# What is compared: name, title, and the roles that carry it, the first one heard.
COLUMNS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("height", "Height above the pad", ("ground.height", "altitude_baro")),
    ("climb", "Climb rate", ("ground.climb_rate", "velocity.up")),
    ("tilt", "Tilt from the vertical", ("ground.tilt",)),
    ("roll_rate", "Roll rate", ROLL_RATE),
    ("accel", "Specific force along the nose", ("accel.a.z", "accel.b.z")),
)
# Numbers of the summary side by side: name, unit, and where it stands.
NUMBERS: tuple[tuple[str, str, Callable[[Summary], float | None]], ...] = (
    ("apogee", "m", lambda summary: _height(summary["apogee"])),
    ("burnout", "m", lambda summary: _height(summary["burnout"])),
    ("greatest speed", "m/s", lambda summary: summary["greatest_speed_m_s"]),
    ("greatest climb", "m/s", lambda summary: summary["greatest_climb_m_s"]),
    ("greatest tilt", "deg", lambda summary: summary["greatest_tilt_deg"]),
    ("nonfinite frames", "", lambda summary: summary["nonfinite_frames"]),
    ("restarts", "", lambda summary: summary["restarts"]),
    ("lost", "", lambda summary: summary["lost"]),
    ("damaged", "", lambda summary: summary["damaged"]),
)


class CompareProblem(Problem):
    """Sessions cannot be compared; the text is one plain sentence."""


@dataclass(frozen=True)
class ComparedNumber:
    """One number of each session's summary (None where it is not known), and how far each is from the first's."""

    name: str
    unit: str
    values: list[float | None]
    changes: list[float | None]


@dataclass(frozen=True)
class SheetChange:
    """An entry of the sheets ("vehicle" or "site") that is not the same in all sessions; None where one has none."""

    sheet: str
    key: str
    values: list[object]


@dataclass(frozen=True)
class ComparedGoal:
    """A goal of any session's card in its words, and what came of it in each; None where a flight had no such goal."""

    what: str
    outcomes: list[str | None]
    evidence: list[str | None]


@dataclass(frozen=True)
class Comparison:
    """Sessions aligned: `zero_t` (timeline s of t = 0 of each), the grid `t`, `columns` by name: one array per session.

    `at` is what each session is aligned at, `choices` what each could be. `units` gives each column's unit. A session
    without the column has only NaN.
    """

    names: tuple[str, ...]
    at: tuple[str, ...]
    choices: tuple[tuple[str, ...], ...]
    zero_t: tuple[float, ...]
    t: Floats
    columns: Mapping[str, tuple[Floats, ...]]
    units: Mapping[str, str]
    numbers: tuple[ComparedNumber, ...]
    changes: tuple[SheetChange, ...]
    goals: tuple[ComparedGoal, ...] = ()

    def difference(self, column: str, which: int) -> Floats:
        """Return a session's column minus the first session's."""
        return self.columns[column][which] - self.columns[column][0]


def moments_to_choose(review: Review) -> dict[str, float]:
    """Return what a session can be aligned at, as name: timeline second; marks are "mark: TEXT"."""
    summary = summarize(review)
    found = {name.replace("-", "_").replace(" ", "_"): t for name, t in moments_of(summary).items()}
    for mark in summary["marks"]:
        found.setdefault(f"mark: {mark['text']}", mark["t"])
    return found


def compare(reviews: Sequence[Review], at: str | Sequence[str] = "lift_off") -> Comparison:
    """Return sessions aligned at a moment or mark that all of them have, or each at one of its own.

    Raises CompareProblem.
    """
    if not 2 <= len(reviews) <= SESSIONS_AT_MOST:
        raise CompareProblem(f"Two to {SESSIONS_AT_MOST} sessions are compared, not {len(reviews)}.")
    chosen = [moments_to_choose(review) for review in reviews]
    each_at = (at,) * len(reviews) if isinstance(at, str) else tuple(at)
    if len(each_at) != len(reviews):
        raise CompareProblem(f"{len(reviews)} sessions need one moment for all or {len(reviews)}, not {len(each_at)}.")
    for review, moments, one in zip(reviews, chosen, each_at, strict=True):
        if one not in moments:
            shared = sorted(set.intersection(*(set(every) for every in chosen)))
            raise CompareProblem(
                f"{review.name} has no {one[:60]!r} to align at; all have: {', '.join(shared)[:200] or 'nothing in common'}."
            )
    zero = tuple(moments[one] for moments, one in zip(chosen, each_at, strict=True))
    t = _grid(reviews, zero)
    columns: dict[str, tuple[Floats, ...]] = {}
    units: dict[str, str] = {}
    for name, _, roles in COLUMNS:
        found = [shown_first(review, roles) for review in reviews]
        units[name] = next((one[2] for one in found if one is not None), "")
        columns[name] = tuple(
            resampled(one[0] - start, one[1], t) if one is not None and one[2] == units[name] else np.full(len(t), np.nan)
            for one, start in zip(found, zero, strict=True)
        )
    return Comparison(
        names=tuple(review.name for review in reviews),
        at=each_at,
        choices=tuple(tuple(moments) for moments in chosen),
        zero_t=zero,
        t=t,
        columns=columns,
        units=units,
        numbers=_numbers(reviews, zero),
        changes=_changes(reviews),
        goals=_goals(reviews),
    )


def _grid(reviews: Sequence[Review], zero: Sequence[float]) -> Floats:
    spans = [span(review, moments_of(summarize(review))) for review in reviews]
    low = min(one[0] - start for one, start in zip(spans, zero, strict=True))
    high = max(one[1] - start for one, start in zip(spans, zero, strict=True))
    low, high = max(low, -LONGEST_S / 2), min(high, LONGEST_S)
    # Whole steps from zero, so that the moment itself is on the grid.
    return np.arange(np.ceil(low / STEP_S), np.floor(high / STEP_S) + 1) * STEP_S


def resampled(t: Floats, values: Floats, grid: Floats) -> Floats:
    """Return values at the times of a grid; NaN outside, in long gaps, and next to nothing but numbers that are none."""
    good = np.isfinite(values) & np.isfinite(t)
    t, values = t[good], values[good]
    if len(t) < 2:
        return np.full(len(grid), np.nan)
    right = np.clip(np.searchsorted(t, grid, side="left"), 1, len(t) - 1)
    inside = (grid >= t[0]) & (grid <= t[-1])
    near = (t[right] - t[right - 1] <= LONGEST_GAP_S) | (grid == t[right]) | (grid == t[right - 1])
    return np.where(inside & near, np.interp(grid, t, values), np.nan)


def _numbers(reviews: Sequence[Review], zero: Sequence[float]) -> tuple[ComparedNumber, ...]:
    """Return the rows of the table of summary numbers."""
    summaries = [summarize(review) for review in reviews]
    rows = []
    for name, unit, number in NUMBERS:
        rows.append(_row(name, unit, [number(summary) for summary in summaries]))
    moments = [moments_of(summary) for summary in summaries]
    for name in dict.fromkeys(name for one in moments for name in one):
        values = [round(one[name] - start, 3) if name in one else None for one, start in zip(moments, zero, strict=True)]
        rows.append(_row(f"{name} at", "s", values))
    counts = [[finding["severity"] for finding in summary["findings"]] for summary in summaries]
    for severity in ("warning", "caution"):
        rows.append(_row(f"findings: {severity}", "", [one.count(severity) for one in counts]))
    return tuple(row for row in rows if any(value is not None for value in row.values))


def _height(moment: Moment | None) -> float | None:
    return None if moment is None else moment["height_m"]


def _row(name: str, unit: str, values: Sequence[float | None]) -> ComparedNumber:
    first = values[0]
    changes = [None if value is None or first is None else round(value - first, 6) for value in values]
    return ComparedNumber(name, unit, list(values), changes)


def _goals(reviews: Sequence[Review]) -> tuple[ComparedGoal, ...]:
    """Return what came of every goal, in the order in which the cards tell them; the same goal has the same words."""
    cards: list[dict[str, JudgedGoal]] = []
    for review in reviews:
        card = summarize(review).get("goals")
        cards.append({goal["what"]: goal for goal in card["goals"]} if card is not None else {})
    return tuple(
        ComparedGoal(
            what,
            [card[what]["outcome"] if what in card else None for card in cards],
            [card[what]["evidence"] if what in card else None for card in cards],
        )
        for what in dict.fromkeys(what for card in cards for what in card)
    )


def _changes(reviews: Sequence[Review]) -> tuple[SheetChange, ...]:
    """Return every entry of the sheets that is not the same in all sessions."""
    rows = []
    for place, sheet in enumerate(("vehicle", "site")):
        sheets = [sheet_rows(review.session.header.sheets[place]) for review in reviews]
        for key in dict.fromkeys(key for one in sheets for key in one):
            values = [one.get(key) for one in sheets]
            if any(value != values[0] or type(value) is not type(values[0]) for value in values):
                rows.append(SheetChange(sheet, key, values))
    return tuple(rows)


# ---------------------------------------------------------------- shapes


def comparison_dict(found: Comparison) -> dict[str, object]:
    """Return a comparison without its columns, JSON-able."""
    titles = {name: title for name, title, _ in COLUMNS}
    return {
        "sessions": list(found.names),
        "at": list(found.at),
        "choices": [list(choices) for choices in found.choices],
        "zero_t": list(found.zero_t),
        "t_range": [float(found.t[0]), float(found.t[-1])] if len(found.t) else [0.0, 0.0],
        "step_s": STEP_S,
        "columns": [{"name": name, "title": titles[name], "unit": found.units[name]} for name in found.columns],
        "numbers": [asdict(row) for row in found.numbers],
        "changes": [asdict(row) for row in found.changes],
        "goals": [asdict(row) for row in found.goals],
    }


def comparison_columns(found: Comparison) -> bytes:
    """Return the columns in the binary form of a session's (`columns_payload`), in one table, "compare".

    t and rx are both seconds from the moment. Columns are NAME.0, NAME.1, ... by session, and NAME.1-0, ... differences.
    """
    names: list[tuple[str, str]] = []
    arrays: list[Floats] = [found.t, found.t]
    for name, each in found.columns.items():
        for which, values in enumerate(each):
            names.append((f"{name}.{which}", found.units[name]))
            arrays.append(values)
        for which in range(1, len(each)):
            names.append((f"{name}.{which}-0", found.units[name]))
            arrays.append(found.difference(name, which))
    channels = tuple(
        Channel(name=name, packet=TABLE, kind="number", field_index=0, unit=unit, display_unit=unit) for name, unit in names
    )
    spec = TableSpec(TABLE, "Flights compared", True, 1.0 / STEP_S, channels)
    return columns_payload(" ".join(found.names), [(spec, 0, np.column_stack(arrays), {})], [])


@dataclass(frozen=True)
class Farthest:
    """Where a column of one session is farthest from the first session's: seconds from the moment, how far, in its unit."""

    title: str
    which: int
    t: float
    apart: float
    unit: str


def farthest(found: Comparison) -> list[Farthest]:
    """Return it for each column and session, greatest first against the column's own spread.

    Where all are aligned at lift-off, only the flight up to shortly after the last apogee counts: the shock of a landing
    or a late parachute would hide everything else.
    """
    low, high = -np.inf, np.inf
    if set(found.at) == {"lift_off"}:
        tops = [value for row in found.numbers if row.name == "apogee at" for value in row.values if value is not None]
        low, high = -BEFORE_S, max(tops, default=np.inf) + AFTER_S
    inside = (found.t >= low) & (found.t <= high)
    titles = {name: title for name, title, _ in COLUMNS}
    rows = []
    for name, each in found.columns.items():
        for which in range(1, len(each)):
            apart = np.where(inside, np.abs(found.difference(name, which)), np.nan)
            if np.isfinite(apart).any():
                worst = int(np.nanargmax(apart))
                spread = float(np.nanmax(np.abs(np.where(inside, each[0], np.nan))))
                told = Farthest(titles[name], which, float(found.t[worst]), float(apart[worst]), found.units[name])
                rows.append((told.apart / spread if spread > 0 else 0.0, told))
    return [told for _, told in sorted(rows, key=lambda row: -row[0])]
