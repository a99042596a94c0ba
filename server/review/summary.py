"""A session in numbers: what `blockhouse summary` prints and the Learn place shows."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime

import numpy as np

from protocol.arrays import Floats
from protocol.events import BytesSkipped, FrameDamaged, PacketRepeated, SequenceGap
from server.analysis.alarms import TOPIC as ACKNOWLEDGED
from server.analysis.figures.descent import RecoveryFigure
from server.flight.descent.recovery import Basis
from server.json_text import finite
from server.recording.session_header import SessionHeader
from server.review.absent import absent
from server.review.goals import Flown, judged_card
from server.review.last_heard import last_heard_text
from server.review.review import Review, rehearsal_of
from server.review.summary_shape import Moment, Summary, ToldFault
from server.telemetry.batch import Rows
from server.telemetry.journal import JournalEntry
from server.timestamps import NS_PER_S


def _faults(entries: list[JournalEntry]) -> list[ToldFault]:
    return [{"t": e.t, "severity": e.severity, "text": e.text} for e in entries if e.topic == "fault"]


def summarize(review: Review) -> Summary:
    """Return the summary of an opened session as JSON-able values; times are timeline seconds, SI units.

    `greatest_tilt_deg` is over powered and coasting flight only: under parachutes the nose hangs anywhere.
    """
    output, session = review.output, review.session
    rows, entries = output.rows, output.entries
    moments = moments_told(entries)
    lift_off = moment_t(moments.get("lift_off"))
    apogee = moments.get("apogee")
    link = _last_link(review)
    nonfinite = [entry for entry in entries if entry.topic == "health" and entry.key == "nonfinite"]
    faults = _faults(entries)
    summary: Summary = {
        "session": review.name,
        "vehicle": review.dictionary.vehicle,
        "software": session.header.software,
        "utc": _utc_text(session.header),
        "duration_s": round(session.duration_s, 3),
        "parts": [path.name for path in session.parts],
        "closed": session.closed,
        "damage": [f"{damage.part.name} at byte {damage.offset}: {damage.sentence}" for damage in session.damage],
        "packets": {name: len(rows[name]) for name in review.dictionary.packets if name in rows},
        "damaged": link["damaged"],
        "lost": link["lost"],
        "repeated": link["repeated"],
        "restarts": sum(entry.topic == "restart" and bool(entry.text) for entry in entries),
        "phases": [{"phase": e.body["phase"], "t": e.t} for e in entries if e.topic == "phase" and e.key == "ground"],
        "vehicle_phases": [
            {"phase": e.body["phase"], "t": e.t} for e in entries if e.topic == "phase" and e.key == "vehicle"
        ],
        "findings": [
            {"t": e.body.get("t"), "severity": e.severity, "text": e.text, "advice": e.body.get("advice")}
            for e in last_of(entries, "finding")
            if not e.body.get("withdrawn")
        ],
        "figures": {e.key: dict(e.body) for e in last_of(entries, "figure") if not e.body.get("withdrawn")},
        "lift_off_t": lift_off,
        "burnout": _moment(moments.get("burnout")),
        "apogee": _moment(apogee),
        "deployment_t": moment_t(moments.get("deployment")),
        "control_enabled_t": moment_t(moments.get("control_enabled")),
        "landing_t": moment_t(moments.get("landing")),
        "greatest_speed_m_s": greatest_between(
            rows.get("ground_motion"), "speed", lift_off, moment_t(moments.get("landing"))
        ),
        "greatest_climb_m_s": greatest_between(
            rows.get("ground_vertical"), "climb_rate", lift_off, moment_t(moments.get("landing"))
        ),
        "greatest_tilt_deg": _degrees(greatest_between(rows.get("ground_motion"), "tilt", lift_off, moment_t(apogee))),
        "nonfinite_frames": len(nonfinite),
        "nonfinite": [{"t": e.t, **e.body} for e in nonfinite[:20]],
        "commands": _commands(entries),
        "marks": [{"t": e.t, "text": e.text} for e in entries if e.topic == "mark"],
        "alarms": _alarms(entries),
    }

    def column_of(table: str, column: str) -> tuple[Floats, Floats] | None:
        return None if table not in rows else (rows[table].t, rows[table].numbers(column))

    vehicle = session.header.sheets[0]
    card = judged_card(Flown(vehicle, review.specs, column_of, lift_off, summary["landing_t"], summary["figures"]))
    if card is not None:
        summary["goals"] = card
    if rehearsal := rehearsal_of(review):
        summary["rehearsal"] = rehearsal
    if faults:
        summary["faults"] = faults
    if not_told := absent(review, summary):
        summary["absent"] = not_told
    where = summary["figures"].get(RecoveryFigure.key, {})
    if "whereabouts_text" in where:
        summary["whereabouts"] = str(where["whereabouts_text"])
        if where["whereabouts_basis"] != Basis.LANDED and (heard := last_heard_text(review)):
            summary["last_heard"] = heard
    return summary


def moments_told(entries: list[JournalEntry]) -> dict[str, JournalEntry]:
    """Return each moment's last dating, unless it was taken back; for one that can end (control enabled), its first
    beginning."""
    first: dict[str, JournalEntry] = {}
    for entry in entries:
        if entry.topic == "moment" and entry.body.get("withdrawn"):
            first.pop(entry.key, None)
        elif entry.topic == "moment" and entry.body.get("on", True) and ("on" not in entry.body or entry.key not in first):
            first[entry.key] = entry
    return first


def last_of(entries: list[JournalEntry], topic: str) -> list[JournalEntry]:
    """Return the last entry of each key of a topic, in order of first appearance."""
    last: dict[str, JournalEntry] = {}
    for entry in entries:
        if entry.topic == topic:
            last[entry.key] = entry
    return list(last.values())


def _moment(entry: JournalEntry | None) -> Moment | None:
    return None if entry is None else {"height_m": round(entry.number("height_m"), 3), "t": round(entry.number("t"), 3)}


def moment_t(entry: JournalEntry | None) -> float | None:
    return None if entry is None else round(entry.number("t"), 3)


def greatest_between(rows: Rows | None, column: str, start: float | None, stop: float | None) -> float | None:
    """Return the greatest finite value of a column from `start` to `stop` (timeline s, both included; None: to the end),
    to three decimals. None where there is none, or no start."""
    if rows is None or start is None:
        return None
    values = rows.numbers(column)
    chosen = values[(rows.t >= start) & (rows.t <= (stop if stop is not None else np.inf)) & np.isfinite(values)]
    return round(float(chosen.max()), 3) if len(chosen) else None


def _degrees(value: float | None) -> float | None:
    return None if value is None else round(float(np.degrees(value)), 2)


def _last_link(review: Review) -> dict[str, int]:
    """Count damage, losses and repeats over the whole session (the link table stops at the last whole second)."""
    counts = {"damaged": 0, "lost": 0, "repeated": 0}
    batch = review.output.batch
    for _, _, _, event in batch.events if batch is not None else ():
        if isinstance(event, FrameDamaged | BytesSkipped):
            counts["damaged"] += 1
        elif isinstance(event, SequenceGap):
            counts["lost"] += event.missing if event.missing is not None else 1
        elif isinstance(event, PacketRepeated):
            counts["repeated"] += 1
    return counts


def _commands(entries: list[JournalEntry]) -> list[dict[str, object]]:
    """Return each command's last view, in the order they were asked for."""
    last: dict[str, dict[str, object]] = {}
    for entry in entries:
        if entry.topic == "command":
            last[entry.key] = dict(entry.body)
    wanted = ("id", "title", "command", "args_text", "operator", "hazard", "state", "state_text", "missing", "sends")
    return [{name: view.get(name) for name in wanted} for view in last.values()]


def _alarms(entries: list[JournalEntry]) -> list[dict[str, object]]:
    """Return every alarm raised, with who first acknowledged that raise and when; walks twice, whatever their number."""
    seen: dict[tuple[str, float], dict[str, object]] = {}
    for entry in entries:
        raised_rx = entry.body.get("raised_rx")
        if entry.topic == ACKNOWLEDGED and isinstance(raised_rx, int | float):
            said = {"acknowledged_by": entry.body.get("operator"), "acknowledged_t": entry.t}
            seen.setdefault((entry.key, raised_rx), said)
    return [
        {"t": e.t, "text": e.text, "severity": e.severity, **seen.get((e.key, e.rx_s), {})}
        for e in entries
        if e.topic == "alarm" and e.body.get("state") == "raised"
    ]


def _utc_text(header: SessionHeader) -> str:
    return datetime.fromtimestamp(header.utc_ns / NS_PER_S, UTC).isoformat(timespec="seconds")


def summary_json(summary: Mapping[str, object]) -> str:
    """Return the summary as JSON for scripts."""
    return json.dumps(finite(summary), indent=2, allow_nan=False)
