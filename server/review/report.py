"""A flight's report: one HTML file that needs nothing else, for a screen or paper.

Style and charts are inline; there is no script and no reference to anything outside, and a policy in the file forbids
both. Every text of a session is escaped: labels, sheets, events and commands may hold anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from html import escape

from server.analysis.figures.ascent import GreatestSpeedFigure
from server.design.sheet_rows import sheet_rows
from server.flight.digits import with_doubt
from server.flight.sensors.alignment import alignment_of
from server.flight.units import METRIC, Units
from server.pad.record import recorded_sheet
from server.pad.sheet import ADVICE
from server.review.events import events_of
from server.review.goals import goals_html
from server.review.moments import ROLL_RATE, moments_of, shown_first, span
from server.review.review import Review
from server.review.summary import summarize
from server.review.summary_shape import Summary, ToldFinding
from server.review.svg_plot import PlotLine, chart
from server.timestamps import NS_PER_S

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
STYLE = """
:root{color-scheme:light}
body{font:15px/1.45 system-ui,sans-serif;max-width:56rem;margin:2rem auto;padding:0 1rem;color:#1c2430;background:#fff}
h1{font-size:1.6rem;margin:0}h2{font-size:1.15rem;margin:1.8rem 0 .4rem;border-bottom:1px solid #c6ccd4}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}
th,td{text-align:left;vertical-align:top;padding:.18rem .6rem .18rem 0;border-bottom:1px solid #e3e6ea}
th{font-weight:600}td.num{text-align:right;white-space:nowrap}
.sub{color:#566172}.warning{color:#a3120a;font-weight:600}.caution{color:#8a5a00;font-weight:600}.info{color:#33506e}
pre{white-space:pre-wrap;font:inherit;margin:.3rem 0}
svg{width:100%;height:auto;display:block;margin:.5rem 0}
svg text{font:11px system-ui,sans-serif;fill:#3a4656}svg .title{font-weight:600;font-size:12px}svg .small{font-size:9.5px}
svg .right{text-anchor:end}svg .middle{text-anchor:middle}svg path{fill:none}
svg .grid{stroke:#e3e6ea}svg .mark{stroke:#8d97a5;stroke-dasharray:3 3}
svg .line0{stroke:#1b5fb4;stroke-width:1.3}svg .line1{stroke:#b4551b;stroke-width:1.3}
svg .name0{fill:#1b5fb4}svg .name1{fill:#b4551b}
@media print{body{margin:0;max-width:none;font-size:10.5pt}h2{break-after:avoid}svg,tr{break-inside:avoid}@page{margin:15mm}}
"""
# A chart's lines: the roles that carry it, the first one that tells anything, and the line's name.
PLOTS: tuple[tuple[str, tuple[tuple[tuple[str, ...], str], ...]], ...] = (
    ("Height above the pad", ((("ground.height",), "height"),)),
    ("Climb rate", ((("ground.climb_rate",), "climb"),)),
    ("Tilt from the vertical", ((("ground.tilt",), "tilt"),)),
    ("Roll rate", ((ROLL_RATE, "roll rate"),)),
    ("Battery voltage", ((("battery.voltage",), "battery"), (("servo_bus.voltage",), "servo bus"))),
    ("Packets lost over ten seconds", ((("ground.link_loss",), "loss"),)),
    ("Downlink level", ((("downlink.level",), "level"),)),
)
NUMBERS: tuple[tuple[str, str, str], ...] = (
    ("duration_s", "Recording", "s"),
    ("greatest_speed_m_s", "Greatest speed", "m/s"),
    ("greatest_climb_m_s", "Greatest climb rate", "m/s"),
    ("greatest_tilt_deg", "Greatest tilt until apogee", "deg"),
    ("lost", "Packets lost", ""),
    ("damaged", "Frames damaged", ""),
    ("restarts", "Restarts of the vehicle", ""),
    ("nonfinite_frames", "Frames with a number that is none", ""),
)


def report_html(review: Review, noted: Mapping[str, object] | None = None, units: Units = METRIC) -> str:
    """Return the report of a session as an HTML document; `noted` is what stands in its sidecar."""
    summary, noted = summarize(review), noted or {}
    moments = moments_of(summary)
    zero = moments.get("lift-off", 0.0)
    label = str(noted.get("label") or review.name)
    body = [
        f"<h1>{escape(label)}</h1>",
        f'<p class="sub">{_subtitle(review, summary)}</p>',
        _notes(noted),
        "<h2>Summary</h2>",
        _summary(summary, moments, zero),
        _not_told(summary),
        goals_html(summary.get("goals")),
        "<h2>Findings</h2>",
        _findings(summary["findings"], zero),
        "<h2>Plots</h2>",
        f'<p class="sub">{"Seconds from lift-off." if "lift-off" in moments else "Seconds of the recording."}</p>',
        *_plots(review, moments, zero),
        "<h2>Figures</h2>",
        _figures(summary["figures"]),
        "<h2>Vehicle and site</h2>",
        _sheet("Vehicle", review.session.header.vehicle),
        _sheet("Site", review.session.header.site),
        "<h2>Pad sheet</h2>",
        _pad_sheet(review),
        "<h2>Commands</h2>",
        _commands(summary["commands"]),
        "<h2>Events</h2>",
        _events(review, zero),
    ]
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f'<meta name="viewport" content="width=device-width"><title>{escape(label)}</title><style>{STYLE}</style></head>\n'
        f"<body>{chr(10).join(body)}\n</body></html>\n"
    )


def _subtitle(review: Review, summary: Summary) -> str:
    vehicle, site = review.session.header.sheets
    parts = [summary["vehicle"], str(site.get("name", "")), summary["utc"]]
    if vehicle.get("simulated"):
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
            f'<p class="sub">An onboard log lies beside it: recording time = {aligned.offset_s:+.4f} s + log time x '
            f"(1 {aligned.drift * 1e6:+.1f} ppm), sure to {1000 * aligned.sigma_s:.1f} ms (one sigma).</p>"
        )
    return told


def _summary(summary: Summary, moments: Mapping[str, float], zero: float) -> str:
    rows = []
    for name, at in moments.items():
        value = {"burnout": summary["burnout"], "apogee": summary["apogee"]}.get(name)
        sigma = summary["figures"].get(name, {}).get("height_sigma_m" if name == "burnout" else "sigma_m")
        height = "" if value is None else f", {_doubted(value['height_m'], sigma)} m"
        rows.append((name.capitalize(), f"{at - zero:+.2f} s{height}"))
    rows += _descent(summary["figures"].get("descent", {}))
    if "whereabouts" in summary:
        rows.append(("Where it lies", summary["whereabouts"]))
    if "last_heard" in summary:
        rows.append(("Last heard", summary["last_heard"]))
    fastest = summary["figures"].get(GreatestSpeedFigure.key, {})
    speed, sigma = fastest.get("speed_m_s"), fastest.get("sigma_m_s")
    if isinstance(speed, int | float) and isinstance(sigma, int | float):
        rows.append((f"Greatest speed by the {fastest.get('source')}", f"{with_doubt(speed, sigma)} m/s"))
    known: Mapping[str, object] = summary
    rows += [(title, f"{_number(known[key])} {unit}".strip()) for key, title, unit in NUMBERS if known[key] is not None]
    return _table([], rows)


def _not_told(summary: Summary) -> str:
    """Return what the session does not tell of its flight, and why."""
    rows = [(name.capitalize(), reason) for name, reason in summary.get("absent", {}).items()]
    return "<h3>Not told</h3>" + _table([], rows) if rows else ""


def _descent(figure: Mapping[str, object]) -> list[tuple[str, str]]:
    """Return the stages of the way down and the landing, each rate with a 95 % interval."""
    rows = []
    stages = figure.get("stages")
    for stage in stages if isinstance(stages, list) else []:
        name = f"Descent, {stage['kind']}"
        rows.append((name, f"{_rate(stage['rate_m_s'], stage['sigma_m_s'])} from {stage['from_m']:.0f} m"))
    speed, sigma = figure.get("landing_m_s"), figure.get("landing_sigma_m_s")
    if isinstance(speed, float) and isinstance(sigma, float):
        rows.append(("Speed at landing", _rate(speed, sigma)))
    return rows


def _rate(rate_m_s: float, sigma_m_s: float) -> str:
    return f"{rate_m_s:.1f} \N{PLUS-MINUS SIGN} {1.96 * sigma_m_s:.1f} m/s"


def _doubted(value: float, sigma: object) -> str:
    return with_doubt(value, sigma) if isinstance(sigma, int | float) else _number(value)


def _findings(findings: Sequence[ToldFinding], zero: float) -> str:
    rows = []
    for finding in findings:
        t = finding["t"]
        when = f"{t - zero:+.2f} s" if isinstance(t, int | float) else ""
        severity = finding["severity"]
        rows.append(
            f'<tr><td class="{escape(severity)}">{escape(severity)}</td><td class="num">{when}</td>'
            f"<td>{escape(finding['text'])}<br>"
            f'<span class="sub">{escape(str(finding["advice"] or ""))}</span></td></tr>'
        )
    return f"<table>{''.join(rows)}</table>" if rows else "<p>None.</p>"


def _plots(review: Review, moments: Mapping[str, float], zero: float) -> list[str]:
    low, high = span(review, moments)
    marks = [(at - zero, name) for name, at in moments.items()]
    charts = []
    for title, wanted in PLOTS:
        lines, unit = [], ""
        for roles, name in wanted:
            found = shown_first(review, roles)
            if found is not None:
                t, values, unit = found
                lines.append(PlotLine(name, t - zero, values))
        if lines:
            charts.append(chart(title, unit, lines, low - zero, high - zero, marks))
    return charts


def _figures(figures: Mapping[str, Mapping[str, object]]) -> str:
    parts = []
    for name, body in figures.items():
        rows = [(key.replace("_", " "), _plain(value)) for key, value in body.items()]
        parts.append(f"<h3>{escape(name.replace('_', ' '))}</h3>{_table([], rows)}")
    return "".join(parts) or "<p>None.</p>"


def _sheet(title: str, sheet: Mapping[str, object]) -> str:
    rows = [(key, _plain(value)) for key, value in sheet_rows(sheet).items()]
    return f"<h3>{escape(title)}</h3>" + (_table([], rows) if rows else "<p>No sheet was given.</p>")


def _pad_sheet(review: Review) -> str:
    sheet = recorded_sheet(review.output.entries)
    if sheet is None:
        return "<p>No pad sheet was shown in this session.</p>"
    rows = []
    for title, items in sheet.groups:
        rows.append(f'<tr><th colspan="5">{escape(title)}</th></tr>')
        rows += [f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in item.cells())}</tr>" for item in items]
    return (
        f'<p>{escape(sheet.title)}. {escape(sheet.heading)} <span class="sub">{escape(sheet.note)}</span></p>'
        f"<p><b>{escape(ADVICE)}</b></p><table>{''.join(rows)}</table>"
    )


def _commands(commands: Sequence[Mapping[str, object]]) -> str:
    rows = [
        tuple(str(view.get(key) or "") for key in ("title", "args_text", "operator", "hazard", "state_text"))
        for view in commands
    ]
    return _table(["Command", "With", "By", "Hazard", "Outcome"], rows) if rows else "<p>None was asked for.</p>"


def _events(review: Review, zero: float) -> str:
    rows = [(f"{one.t - zero:+.2f} s", one.by, one.severity, one.text) for one in events_of(review.output.entries)]
    return _table(["When", "By", "", "What"], rows[:500]) + ("" if len(rows) <= 500 else f"<p>{len(rows) - 500} more.</p>")


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    top = f"<tr>{''.join(f'<th>{escape(cell)}</th>' for cell in head)}</tr>" if head else ""
    lines = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table>{top}{lines}</table>"


def _plain(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_plain(item) for item in value[:40]) + (" ..." if len(value) > 40 else "")
    return _number(value)


def _number(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.5g}" if isinstance(value, float) else str(value)


def report_name(review: Review) -> str:
    """Return the file name under which a report is saved: letters, digits, hyphens."""
    utc = datetime.fromtimestamp(review.session.header.utc_ns / NS_PER_S, UTC)
    return f"report-{utc:%Y%m%d-%H%M%S}.html"
