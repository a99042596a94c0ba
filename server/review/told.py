"""A session told to a person: where it was, its moments in order, its findings and its figures as sentences.

Terminal and report tell the same. Everything is of the summary (`summarize`); a figure that is not known is left out here
and stands with its reason among what is not told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from math import isfinite

from server.flight.units import METRIC, MINUS, Units, number
from server.review.figure_words import FACTS, NOBODY, Body, away, real
from server.review.summary_shape import Summary

GRAVE = {"warning": "WARNING", "caution": "CAUTION"}


@dataclass(frozen=True)
class ToldMoment:
    """A moment: seconds from lift-off (or of the recording) and what happened."""

    t: float
    text: str


@dataclass(frozen=True)
class ToldFinding:
    """A finding: how grave, seconds from lift-off where it has a moment, what was found, what to do."""

    severity: str
    t: float | None
    text: str
    advice: str


@dataclass(frozen=True)
class Told:
    """A session in words: `about` is vehicle, site and day, `recording` how whole it is, `facts` are (title, sentence)."""

    name: str
    about: str
    recording: str
    from_lift_off: bool
    moments: tuple[ToldMoment, ...]
    findings: tuple[ToldFinding, ...]
    facts: tuple[tuple[str, str], ...]
    commands: tuple[tuple[str, int, str], ...]  # what was asked for, how often, what became of it
    marks: tuple[ToldMoment, ...]
    alarms: tuple[ToldMoment, ...]
    not_told: tuple[tuple[str, str], ...]

    def clock(self, seconds: float) -> str:
        """Return seconds as T+1.5 s from lift-off, or as 1.5 s of the recording where nothing lifted off."""
        text = number(seconds, 1)
        return f"T{'' if text[0] == MINUS else '+'}{text} s" if self.from_lift_off else f"{text} s"

    def command_lines(self) -> list[str]:
        """Return what was asked for with its outcome, and how often."""
        return [f"{what}: {end}" + (f" ({count} times)" if count > 1 else "") for what, count, end in self.commands]


REHEARSAL = "REHEARSAL on the bench, nothing of it was flown"


def told_of(summary: Summary, site: Body = NOBODY, units: Units = METRIC) -> Told:
    """Return a summary in words; `site` is the site's sheet."""
    zero = summary["lift_off_t"] or 0.0
    return Told(
        name=summary["session"],
        about=_rehearsed(summary)
        + ", ".join(part for part in (summary["vehicle"], str(site.get("name", "")), day_text(summary["utc"])) if part),
        recording=_recording(summary),
        from_lift_off=summary["lift_off_t"] is not None,
        moments=tuple(sorted(_moments(summary, zero, units), key=lambda moment: moment.t)),
        findings=tuple(_findings(summary, zero, units)),
        facts=tuple((title, text) for title, make in FACTS if (text := make(summary, units))),
        commands=_commands(summary),
        marks=tuple(ToldMoment(mark["t"] - zero, mark["text"]) for mark in summary["marks"]),
        alarms=tuple(_alarms(summary, zero, units)),
        not_told=tuple((name[:1].upper() + name[1:], units.said(text)) for name, text in summary.get("absent", {}).items()),
    )


def _rehearsed(summary: Summary) -> str:
    which = summary.get("rehearsal")
    return f"{REHEARSAL}: {which}. " if which else ""


def day_text(utc: str) -> str:
    """Return "15 June 2025 14:00 UTC" of an ISO 8601 time; what is none stays as it is."""
    try:
        at = datetime.fromisoformat(utc)
    except ValueError:
        return utc
    months = (
        "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
        "December",
    )  # fmt: skip
    return f"{at.day} {months[at.month - 1]} {at.year} {at:%H:%M} UTC"


def _recording(summary: Summary) -> str:
    minutes, seconds = divmod(round(summary["duration_s"]), 60)
    length = f"{minutes}:{seconds:02d}"
    parts = f" in {len(summary['parts'])} parts" if len(summary["parts"]) > 1 else ""
    if summary["damage"]:
        places = len(summary["damage"])
        return f"recording damaged in {places} place{'s' if places > 1 else ''}, {length}{parts}"
    return f"recording {'whole' if summary['closed'] else 'not closed'}, {length}{parts}"


# ---------------------------------------------------------------- moments


def _moments(summary: Summary, zero: float, units: Units) -> Iterator[ToldMoment]:
    figures = summary["figures"]
    if summary["lift_off_t"] is not None:
        yield ToldMoment(0.0, "lift-off")
    rail = figures.get("rail_exit", NOBODY)
    if (speed := real(rail, "speed_m_s")) is not None and (at := real(rail, "t")) is not None:
        yield ToldMoment(at - zero, f"off the rail at {units.speed_doubted(speed, rail.get('sigma_m_s'))}")
    for key, words, sigma in (("burnout", "burnout", "height_sigma_m"), ("apogee", "apogee", "sigma_m")):
        moment = summary["burnout"] if key == "burnout" else summary["apogee"]
        if moment is not None:
            height = units.meters_doubted(moment["height_m"], figures.get(key, NOBODY).get(sigma))
            yield ToldMoment(moment["t"] - zero, f"{words} at {height}")
    yield from _later_motors(figures, zero, units)
    if summary["control_enabled_t"] is not None:
        yield ToldMoment(summary["control_enabled_t"] - zero, "control enabled")
    if summary["deployment_t"] is not None:
        yield ToldMoment(summary["deployment_t"] - zero, "deployment")
    if summary["landing_t"] is not None:
        yield ToldMoment(summary["landing_t"] - zero, f"landed{_landed_at(figures.get('recovery', NOBODY), units)}")


def _later_motors(figures: Mapping[str, Body], zero: float, units: Units) -> Iterator[ToldMoment]:
    for key, words in (
        ("ignition_2", "second ignition"), ("burnout_2", "second burnout"),
        ("ignition_3", "third ignition"), ("burnout_3", "third burnout"),
    ):  # fmt: skip
        body = figures.get(key, NOBODY)
        at, height = real(body, "t"), real(body, "height_m")
        if at is not None and height is not None:
            yield ToldMoment(at - zero, f"{words} at {units.meters_doubted(height, body.get('height_sigma_m'))}")


def _landed_at(recovery: Body, units: Units) -> str:
    """Return the place of landing, as everything else has it: the headline's, if that is where it landed."""
    return "" if recovery.get("whereabouts_basis") != "landed" else f" {away(recovery, units)}"


# ---------------------------------------------------------------- findings, commands, alarms


def _findings(summary: Summary, zero: float, units: Units) -> Iterator[ToldFinding]:
    for finding in summary["findings"]:
        t = finding["t"]
        at = t - zero if isinstance(t, int | float) and not isinstance(t, bool) and isfinite(t) else None
        yield ToldFinding(finding["severity"], at, units.said(finding["text"]), units.said(str(finding["advice"] or "")))


def _alarms(summary: Summary, zero: float, units: Units) -> Iterator[ToldMoment]:
    for alarm in summary["alarms"]:
        t, by = alarm["t"], alarm.get("acknowledged_by")
        seen = f" (seen by {by})" if by else ""
        yield ToldMoment(t - zero if isinstance(t, float) else 0.0, f"{units.said(str(alarm['text']))}{seen}")


def _commands(summary: Summary) -> tuple[tuple[str, int, str], ...]:
    """Return commands in the order they were first asked for, those with the same outcome together."""
    counted = Counter(
        (
            " ".join(str(view.get(key) or "") for key in ("title", "args_text")).strip() or str(view.get("command") or "?"),
            str(view.get("state_text") or view.get("state") or "?"),
        )
        for view in summary["commands"]
    )
    return tuple((what, count, outcome) for (what, outcome), count in counted.items())
