"""What a step trial tells of each servo: its chain from command to fin, held against the sheet's numbers.

The fit takes a second or two a fin and loads scipy, so it is made when such a trial is over, and only then; a live station
makes it beside its loop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees
from typing import TYPE_CHECKING, TypedDict

import numpy as np

from server.trials.score import Score

if TYPE_CHECKING:
    from server.flight.servo.chain import Chain, Estimate


@dataclass(frozen=True)
class ServoLimits:
    """What the sheet promises of every servo, in s, rad/s and rad; None where it is silent."""

    dead_s: float | None = None
    lag_s: float | None = None
    rate_rad_s: float | None = None
    play_rad: float | None = None


WORDS = {"passed": "passed", "failed": "FAILED", "open": "not decided"}
NO_LIMITS = ServoLimits()


class Part(TypedDict):
    """One number of a chain, in `unit`; `limit` is the sheet's. `verdict`: "passed", "failed", "open" or ""."""

    name: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    reason: str
    limit: float | None
    verdict: str


class ChainScore(TypedDict):
    """The chain of one servo. `reason` is why nothing is told; `note` what else is to be known."""

    title: str
    reason: str
    note: str
    samples: int
    rate_hz: float
    verdict: str
    parts: list[Part]


def chains_of(score: Score, limits: ServoLimits = NO_LIMITS) -> list[ChainScore]:
    """Return the chain of every servo that a trial followed; takes a second or two for each."""
    if not score.followed:
        return []
    from server.flight.servo.chain import identify

    found = []
    for title, (commanded, measured) in score.followed.items():
        asked, seen = (np.array(sorted(kept.values())).reshape(-1, 2).T for kept in (commanded, measured))
        found.append(_scored(title, identify((asked[0], asked[1]), (seen[0], seen[1])), limits))
    return found


def _scored(title: str, chain: Chain, limits: ServoLimits) -> ChainScore:
    deg = degrees(1.0)
    parts = [
        _part("dead time", "ms", chain.dead_s, 1e3, limits.dead_s, at_least=False),
        _part("lag", "ms", chain.lag_s, 1e3, limits.lag_s, at_least=False),
        _part("greatest rate", "deg/s", chain.rate, deg, limits.rate_rad_s, at_least=True),
        _part("backlash", "deg", chain.play, deg, limits.play_rad, at_least=False),
        _part("linkage ratio", "", chain.ratio, 1.0, None, at_least=False),
        _part("offset", "deg", chain.offset, deg, None, at_least=False),
    ]
    verdicts = [part["verdict"] for part in parts if part["verdict"]]
    verdict = next((word for word in ("failed", "open", "passed") if word in verdicts), "")
    return {
        "title": title,
        "reason": chain.reason,
        "note": "" if chain.reason else note_of(chain),
        "samples": chain.samples,
        "rate_hz": 1.0 / chain.period_s if chain.period_s else 0.0,
        "verdict": verdict,
        "parts": [] if chain.reason else parts,
    }


def _part(name: str, unit: str, found: Estimate, scale: float, limit: float | None, *, at_least: bool) -> Part:
    """A limit is kept or broken only where the whole interval says so."""
    verdict = ""
    if limit is not None:
        kept, broken = (found.low, found.high) if at_least else (found.high, found.low)
        sign = -1.0 if at_least else 1.0
        verdict = "open"
        if kept is not None and sign * kept <= sign * limit:
            verdict = "passed"
        elif broken is not None and sign * broken > sign * limit:
            verdict = "failed"

    def told(value: float | None) -> float | None:
        return None if value is None else scale * value

    return {
        "name": name, "unit": unit, "value": told(found.value), "low": told(found.low), "high": told(found.high),
        "reason": found.reason, "limit": told(limit), "verdict": verdict,
    }  # fmt: skip


def note_of(chain: Chain) -> str:
    """Return what else is to be known of a chain, as half sentences."""
    notes = []
    if chain.is_locked:
        notes.append("all steps came at one moment between two packets, so the dead time is known to one packet only")
    if chain.stops.stop_high is not None or chain.stops.stop_low is not None:
        stops = [degrees(one) for one in (chain.stops.stop_low, chain.stops.stop_high) if one is not None]
        notes.append("it stands at an end stop at " + " and ".join(f"{one:+.1f} deg" for one in stops))
    if chain.ratio.value is not None and chain.ratio.value < 0.0:
        notes.append("it turns against its command: the linkage is reversed")
    return "; ".join(notes)


def chain_lines(chains: Sequence[ChainScore]) -> list[str]:
    """Return the chains as plain lines for a terminal."""
    lines = []
    for one in chains:
        head = f"{one['title']}, servo chain"
        if one["reason"]:
            lines += ["", f"{head}: {one['reason']}"]
            continue
        verdict = f": {WORDS[one['verdict']]} against the sheet" if one["verdict"] else ""
        lines += ["", f"{head}{verdict} ({one['samples']} samples at {one['rate_hz']:.0f} Hz)"]
        lines += [f"    {part_text(part)}" for part in one["parts"]]
        lines += [f"    {one['note']}"] if one["note"] else []
    return lines


def part_text(part: Part) -> str:
    """Return one number with its interval and the sheet's limit."""
    unit = f" {part['unit']}" if part["unit"] else ""
    if part["value"] is None:
        bound = f", above {part['low']:.3g}{unit}" if part["low"] is not None else ""
        bound += f", below {part['high']:.3g}{unit}" if part["high"] is not None else ""
        said = f"{part['name']}: {part['reason']}{bound}"
    else:
        said = f"{part['name']} {part['value']:.3g}{unit} (95 %: {part['low']:.3g} to {part['high']:.3g})"
    if part["limit"] is None:
        return said
    return f"{said}; sheet {part['limit']:.3g}{unit}: {WORDS[part['verdict']]}"
