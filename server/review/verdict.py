"""A flight in one sentence: what was found, the gravest first, in the findings' own words; nothing beyond them.

It gives no advice and no praise: where the rules found nothing, that is what it says, beside how high it flew and how
many figures could not be told. Absence of findings makes no vehicle safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import degrees, isfinite, nan

from server.review.review import Review, rehearsal_of
from server.review.summary import summarize
from server.telemetry.journal import JournalEntry

# From what endangers people, over what loses the vehicle and what it flew on, to what spoils the data. Our own order.
ORDER = (
    "ballistic_descent", "no_deployment", "cord_parted", "fast_descent", "opened_early", "opened_late",
    "deployment_time", "pitched_over", "servo_cable", "roll_reversed", "bad_number", "guard_acted", "state_doubtful",
    "phases_differ", "unit_disagrees", "no_continuity", "battery_tired", "hard_landing", "control_untested",
    "roll_weak", "swing_period", "corkscrew", "saturated", "clipped", "thin_link",
)  # fmt: skip
GRAVITY_OF = {"warning": 0, "caution": 1}
TOLD_AT_MOST = 3
CLAUSE_AT_MOST = 60
STRAIGHT = " while it should fly straight"
COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


def by_weight(entries: Sequence[JournalEntry]) -> list[JournalEntry]:
    """Return the last word on every finding that was not taken back, warnings first, each by `ORDER`, then by time."""
    last = {entry.key: entry for entry in entries if entry.topic == "finding"}
    standing = [entry for entry in last.values() if entry.text and not entry.body.get("withdrawn")]
    return sorted(standing, key=_weight)


def verdict(entries: Sequence[JournalEntry], untold: int = 0) -> str:
    """Return the sentence for a whole journal; `untold` counts the flight's figures that could not be told."""
    zero, apogee = _moment(entries, "lift_off"), _moment(entries, "apogee")
    found = by_weight(entries)
    if not found:
        return _nothing_found(zero, apogee, untold)
    clauses = [_clause(entry, entries, zero, with_reason=place == 0) for place, entry in enumerate(found[:TOLD_AT_MOST])]
    more = len(found) - len(clauses)
    rest = f"; and {more} more finding{'s' if more > 1 else ''}" if more else ""
    whole = "; ".join(clauses) + rest
    return whole[0].upper() + whole[1:] + "."


def verdict_of(review: Review) -> str:
    """Return the sentence for an opened recording."""
    said = verdict(review.output.entries, len(summarize(review).get("absent", {})))
    return f"Rehearsal: {said}" if rehearsal_of(review) else said


def _weight(entry: JournalEntry) -> tuple[int, int, float]:
    place = ORDER.index(entry.key) if entry.key in ORDER else len(ORDER)
    return GRAVITY_OF.get(entry.severity, len(GRAVITY_OF)), place, _time(entry)


def _time(entry: JournalEntry) -> float:
    """Return the timeline second a finding belongs to."""
    t = entry.number("t")
    return t if isfinite(t) else entry.t


def _moment(entries: Sequence[JournalEntry], key: str) -> JournalEntry | None:
    """Return a moment's last dating, None where it never was or was taken back."""
    last = next((entry for entry in reversed(entries) if entry.topic == "moment" and entry.key == key), None)
    return None if last is None or last.body.get("withdrawn") else last


def _clause(entry: JournalEntry, entries: Sequence[JournalEntry], zero: JournalEntry | None, with_reason: bool) -> str:
    """Return what was found and when: the finding's first clause, the gravest one's with what it rests on."""
    what, _, reason = entry.text.partition("; ")
    head, _, details = _with_compass(entry, what, entries).partition(": ")
    when = "" if zero is None or not isfinite(entry.number("t")) else f" at {_clock(entry.number('t') - zero.number('t'))}"
    if with_reason:
        why = ", ".join(part for part in (details, reason.replace("; ", ", ")) if part)
        return f"{head}{when}{': ' if why else ''}{why}"
    kept = f": {details}" if details and len(head) + len(details) <= CLAUSE_AT_MOST else ""
    return f"{head}{when}{kept}"


def _with_compass(entry: JournalEntry, what: str, entries: Sequence[JournalEntry]) -> str:
    """Return which way it leaned as a compass point as well, where the figure that carries it tells."""
    lean = next((one for one in reversed(entries) if one.topic == "figure" and one.key == "lean"), None)
    toward = lean.number("azimuth_rad") if lean is not None and entry.key == "pitched_over" else nan
    told = f"toward {degrees(toward):.0f} degrees" if isfinite(toward) else ""
    if not told or told not in what:
        return what
    what = what.removesuffix(STRAIGHT)
    return what.replace(told, f"toward {COMPASS[round(degrees(toward) / 45) % 8]}")


def _clock(seconds: float) -> str:
    return f"T{'-' if round(seconds, 1) < 0 else '+'}{abs(seconds):.1f} s"


def _nothing_found(zero: JournalEntry | None, apogee: JournalEntry | None, untold: int) -> str:
    if zero is None:
        return "No findings, and no lift-off was seen in this recording."
    height = apogee.number("height_m") if apogee is not None else nan
    top = f" It reached {height:.0f} m." if isfinite(height) else " Its top is not known."
    lacking = f" {untold} figure{'s' if untold > 1 else ''} of the flight could not be told." if untold else ""
    return f"No findings.{top}{lacking}"
