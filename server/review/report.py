"""A flight's report: one HTML file that needs nothing else, for a screen or paper, in sentences and pictures.

Style and pictures are inline; there is no script and no reference to anything outside, and a policy in the file forbids
both. Every text of a session is escaped: labels, sheets, events and commands may hold anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from html import escape

import numpy as np

from server.analysis.figures.descent import RecoveryFigure
from server.design.next_flight import planned
from server.flight.sensors.alignment import alignment_of
from server.flight.units import METRIC, Units, number
from server.pad.record import recorded_sheet
from server.pad.sheet import ADVICE
from server.review.events import once, told_events
from server.review.flight_path import flight_path
from server.review.goals import goals_html
from server.review.moments import ROLL_RATE, moments_of, shown_first, span
from server.review.report_pictures import plan_picture, side_picture
from server.review.review import Review, final_figures, measured_wind
from server.review.sheet_words import sheet_in_words
from server.review.summary import summarize
from server.review.summary_shape import Summary
from server.review.svg_plot import PlotLine, Strip, strips
from server.review.told import GRAVE, Told, told_of
from server.review.verdict import verdict_of
from server.timestamps import NS_PER_S

TOLD_APART = frozenset({"goals", "on_trial"})  # of a vehicle's sheet, in a section of their own
POLICY = "default-src 'none'; style-src 'unsafe-inline'"
STYLE = """
:root{color-scheme:light}
body{font:14px/1.4 system-ui,sans-serif;max-width:74rem;margin:1.2rem auto;padding:0 1rem;color:#1c2430;background:#fff}
h1{font-size:1.5rem;margin:0}h2{font-size:1.05rem;margin:1.1rem 0 .3rem;border-bottom:1px solid #c6ccd4}
h3{font-size:.95rem;margin:.5rem 0 .1rem}p{margin:.25rem 0}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}
th,td{text-align:left;vertical-align:top;padding:.12rem .7rem .12rem 0;border-bottom:1px solid #e3e6ea}
th{font-weight:600}td.num{text-align:right;white-space:nowrap}td.of{color:#566172;white-space:nowrap}td.key{color:#566172;width:40%}td:last-child{overflow-wrap:anywhere}
.events td:nth-child(2){color:#566172;white-space:nowrap}
.sub{color:#566172}
.warning,.caution{font-weight:600;white-space:nowrap}.warning{color:#a3120a}.caution{color:#8a5a00}.info{color:#33506e}
pre{white-space:pre-wrap;font:inherit;margin:.3rem 0}
.two{display:grid;grid-template-columns:minmax(0,2fr) minmax(0,3fr);gap:0 2rem;align-items:start}
.columns{columns:22rem 3;column-gap:2rem}.columns table{margin:0}.columns tr{break-inside:avoid}
svg{width:100%;max-width:46rem;height:auto;display:block;margin:.3rem 0}
svg text{font:10px system-ui,sans-serif;fill:#3a4656;paint-order:stroke;stroke:#fff;stroke-width:2.5px}
svg .title{font-weight:600;font-size:11px}svg .event{font-size:10.5px}
svg .right{text-anchor:end}svg .middle{text-anchor:middle}svg path,svg circle{fill:none}
svg .name0,svg .name1{text-anchor:end}
svg .grid,svg .ring{stroke:#e3e6ea}svg .mark{stroke:#8d97a5;stroke-dasharray:3 3}svg .leader{stroke:#8d97a5}
svg .ground{stroke:#6b7684}svg .north,svg .wind{stroke:#3a4656}svg .spot,svg .pad{fill:#1c2430}
svg .up,svg .line0{stroke:#1b5fb4;stroke-width:1.4}svg .down{stroke:#1b5fb4;stroke-width:1.2;stroke-dasharray:2 3}
svg .nose{stroke:#1c2430}svg .within{stroke:#b4551b;stroke-width:1.2}
svg .line1{stroke:#b4551b;stroke-width:1.3}svg .name0{fill:#1b5fb4}svg .name1{fill:#b4551b}svg .ringed{fill:#566172}
@media screen and (max-width:50rem){.two{display:block}}
@media print{body{margin:0;max-width:none;font-size:9.5pt}h2,h3{break-after:avoid}svg,tr{break-inside:avoid}
.two{grid-template-columns:2fr 3fr}.columns{columns:2}@page{margin:14mm}}
"""
BEFORE_S, AFTER_S = 1.0, 3.0  # around the way up, so that no landing's shock flattens the boost
# A strip's lines: the roles that carry it, the first one that tells anything, and the line's name.
Wanted = tuple[tuple[str, tuple[tuple[tuple[str, ...], str], ...]], ...]
WAY_UP: Wanted = (
    ("Height above the pad", ((("ground.height",), "height"),)),
    ("Climb rate", ((("ground.climb_rate",), "climb"),)),
    ("Tilt from the vertical", ((("ground.tilt",), "tilt"),)),
    ("Roll rate", ((ROLL_RATE, "roll rate"),)),
    ("Force along the nose", ((("accel.a.z", "accel.b.z"), "force"),)),
)
WHOLE: Wanted = (
    ("Height above the pad", ((("ground.height",), "height"),)),
    ("Battery voltage", ((("battery.voltage",), "battery"), (("servo_bus.voltage",), "servo bus"))),
    ("Packets lost over ten seconds", ((("ground.link_loss",), "loss"),)),
    ("Downlink level", ((("downlink.level",), "level"),)),
)
EVENTS_AT_MOST = 90


def report_html(review: Review, noted: Mapping[str, object] | None = None, units: Units = METRIC) -> str:
    """Return the report of a session as an HTML document; `noted` is what stands in its sidecar."""
    noted = noted or {}
    plans = planned(*review.session.header.sheets, final_figures(review), measured_wind(review))
    summary: Summary = {**summarize(review), **plans}
    moments = moments_of(summary)
    told = told_of(summary, review.session.header.site, units)
    zero = moments.get("lift-off", 0.0)
    label = str(noted.get("label") or review.name)
    body = [
        f"<h1>{escape(label)}</h1>",
        f'<p class="sub">{_subtitle(review, summary, told)}</p>',
        _notes(noted),
        f"<p><b>{escape(units.said(verdict_of(review)))}</b></p>",
        goals_html(summary.get("goals"), units),
        "<h2>Findings</h2>",
        _findings(told),
        '<div class="two"><div><h2>Flight</h2>',
        _table([(told.clock(moment.t), moment.text) for moment in told.moments], "of")
        or "<p>No moment of a flight was seen.</p>",
        "<h2>Not told</h2>" + _table(told.not_told, "of") if told.not_told else "",
        "</div><div><h2>In numbers</h2>",
        _table(told.facts, "of"),
        "</div></div>",
        "<h2>Pictures</h2>",
        _pictures(review, summary, moments, zero, units),
        "<h2>Vehicle and site</h2>",
        _sheet("Vehicle", review.session.header.vehicle),
        _sheet("Site", review.session.header.site),
        "<h2>Pad sheet</h2>",
        _pad_sheet(review, units),
        "<h2>Commands</h2>",
        _commands(told),
        "<h2>Events</h2>",
        _events(review, told, zero, units),
    ]
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f'<meta name="viewport" content="width=device-width"><title>{escape(label)}</title><style>{STYLE}</style></head>\n'
        f"<body>{chr(10).join(part for part in body if part)}\n</body></html>\n"
    )


def _subtitle(review: Review, summary: Summary, told: Told) -> str:
    parts = [told.about, told.recording]
    if review.session.header.vehicle.get("simulated"):
        parts.append("a simulated vehicle; everything about it is invented")
    if summary["damage"]:
        parts.append(f"the recording is damaged in {len(summary['damage'])} places")
    return escape(" \N{MIDDLE DOT} ".join(part for part in parts if part))


def _notes(noted: Mapping[str, object]) -> str:
    notes = str(noted.get("notes") or "")
    aligned = alignment_of(noted.get("onboard"))
    told = f"<pre>{escape(notes)}</pre>" if notes else ""
    if aligned is not None:
        told += (
            f'<p class="sub">An onboard log lies beside it: recording time = {number(aligned.offset_s, 4)} s + log time x '
            f"(1 + {number(aligned.drift * 1e6, 1)} ppm), sure to {1000 * aligned.sigma_s:.1f} ms (one sigma).</p>"
        )
    return told


def _findings(told: Told) -> str:
    rows = []
    for finding in told.findings:
        when = "" if finding.t is None else told.clock(finding.t)
        grave = GRAVE.get(finding.severity, finding.severity).lower()
        rows.append(
            f'<tr><td class="{escape(finding.severity)}">{escape(grave)}</td><td class="num">{when}</td>'
            f'<td>{escape(finding.text)}<br><span class="sub">{escape(finding.advice)}</span></td></tr>'
        )
    return f"<table>{''.join(rows)}</table>" if rows else "<p>None.</p>"


# ---------------------------------------------------------------- pictures


def _pictures(review: Review, summary: Summary, moments: Mapping[str, float], zero: float, units: Units) -> str:
    low, high = span(review, moments)
    marks = [(at - zero, _name(name)) for name, at in moments.items()]
    clock = "Seconds from lift-off." if "lift-off" in moments else "Seconds of the recording."
    left, right = [], []
    if "lift-off" in moments:
        left = _in_space(review, summary, moments, units)
        top = moments.get("apogee", moments.get("burnout", zero) + AFTER_S)
        until = min(high, top + AFTER_S)
        shown = _strips(review, WAY_UP, low - zero, until - zero, zero, units)
        right.append(strips("The way up", shown, max(low - zero, -BEFORE_S), until - zero, marks) if shown else "")
    shown = _strips(review, WHOLE, low - zero, high - zero, zero, units)
    whole = strips("The whole flight", shown, low - zero, high - zero, marks) if shown else ""
    pictures = f'<p class="sub">{clock}</p>'
    if left:
        return f'{pictures}<div class="two"><div>{"".join(left)}</div><div>{"".join(right)}{whole}</div></div>'
    missing = "" if "lift-off" not in moments else "<p>No place was heard in flight, so it is not drawn in space.</p>"
    return f"{pictures}{missing}<div>{''.join(right)}{whole}</div>"


def _name(name: str) -> str:
    return "landed" if name == "landing" else name


def _in_space(review: Review, summary: Summary, moments: Mapping[str, float], units: Units) -> list[str]:
    start = moments["lift-off"]
    stop = moments["landing"] + AFTER_S if "landing" in moments else np.inf
    path = flight_path(review, start - BEFORE_S, stop)
    if path is None:
        return []
    inside = [(at, _name(name)) for name, at in moments.items() if path.t[0] <= at <= path.t[-1]]
    recovery = summary["figures"].get(RecoveryFigure.key, {})
    place = [recovery.get(f"landing_{name}_m") for name in ("east", "north", "radius")]
    known = [value for value in place if isinstance(value, float)]
    spot = (known[0], known[1], known[2]) if len(known) == len(place) else None
    toward = recovery.get("drift_toward_rad")
    apogee = moments.get("apogee")
    above = [mark for mark in inside if mark[1] in ("apogee", "landed")]
    return [
        "<h3>From the side</h3>",
        side_picture(path, inside, apogee, units),
        '<p class="sub">Height against the distance toward where it came down; short strokes are its nose every 0.25 s.</p>',
        "<h3>From above</h3>",
        plan_picture(path, above, apogee, spot, toward if isinstance(toward, float) else None, units),
        '<p class="sub">North is up. The circle holds where it lies with 95 %.</p>',
    ]


def _strips(review: Review, wanted: Wanted, low: float, high: float, zero: float, units: Units) -> list[Strip]:
    shown = []
    for title, wishes in wanted:
        lines, unit = [], ""
        for roles, name in wishes:
            found = shown_first(review, roles)
            if found is not None:
                t, values, unit = found
                if unit == "m":
                    values = values * units.height_of(1.0)
                elif unit == "m/s":
                    values = values * units.speed_of(1.0)
                lines.append(PlotLine(name, t - zero, values))
        if lines:
            told = {"m": units.height, "m/s": units.speed, "deg": "\N{DEGREE SIGN}", "deg/s": "\N{DEGREE SIGN}/s"}
            shown.append(Strip(title, told.get(unit, unit.replace("m/s2", "m/s\N{SUPERSCRIPT TWO}")), lines))
    return shown


# ---------------------------------------------------------------- what stands beside it


def _sheet(title: str, sheet: Mapping[str, object]) -> str:
    rows = sheet_in_words({key: value for key, value in sheet.items() if key not in TOLD_APART})
    told = f'<div class="columns">{_table(rows, "key")}</div>' if rows else "<p>No sheet was given.</p>"
    return f"<h3>{escape(title)}</h3>{told}"


def _pad_sheet(review: Review, units: Units) -> str:
    sheet = recorded_sheet(review.output.entries)
    if sheet is None:
        return "<p>No pad sheet was shown in this session.</p>"
    rows = []
    for title, items in sheet.groups:
        rows.append(f'<tr><th colspan="5">{escape(title)}</th></tr>')
        rows += [f"<tr>{''.join(f'<td>{escape(units.said(cell))}</td>' for cell in item.cells())}</tr>" for item in items]
    return (
        f'<p>{escape(sheet.title)}. {escape(sheet.heading)} <span class="sub">{escape(sheet.note)}</span></p>'
        f"<p><b>{escape(ADVICE)}</b></p><table>{''.join(rows)}</table>"
    )


def _commands(told: Told) -> str:
    rows = [(line,) for line in told.command_lines()]
    return f'<div class="columns">{_table(rows)}</div>' if rows else "<p>None was asked for.</p>"


def _events(review: Review, told: Told, zero: float, units: Units) -> str:
    """Return the events without what commands did step by step, which stands above, and without what stands there twice."""
    every = once(told_events(review.output.entries))
    rows = [(told.clock(one.t - zero), one.by, units.said(one.text)) for one in every]
    more = f"<p>{len(rows) - EVENTS_AT_MOST} more.</p>" if len(rows) > EVENTS_AT_MOST else ""
    return f'<div class="columns events">{_table(rows[:EVENTS_AT_MOST], "of")}</div>{more}' if rows else "<p>None.</p>"


def _table(rows: Iterable[Sequence[str]], first: str = "") -> str:
    """Return rows as a table; the first cell of each in a class of its own. Nothing where there are none."""
    opened = f'<td class="{first}">' if first else "<td>"
    lines = []
    for row in rows:
        cells = "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        lines.append(f"<tr>{opened}{escape(row[0])}</td>{cells}</tr>")
    return f"<table>{''.join(lines)}</table>" if lines else ""


def report_name(review: Review) -> str:
    """Return the file name under which a report is saved: letters, digits, hyphens."""
    utc = datetime.fromtimestamp(review.session.header.utc_ns / NS_PER_S, UTC)
    return f"report-{utc:%Y%m%d-%H%M%S}.html"
