"""Did the servos do what they were asked: dead time, lag, greatest rate, play, linkage, limits, and the supply's sag."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees

import numpy as np

from server.analysis.flight_log import Window
from server.analysis.judgements.case import Case
from server.analysis.judgements.control import end_of_flight, fins_until
from server.flight.servo.chain import Chain, Estimate, identify
from server.flight.servo.supply import Sag, sag_of, share_at_rate, share_at_travel
from server.study.study import Line, Number, Picture, Study

SUBJECT, TITLE = "servos", "Did the servos do what they were asked?"
BEFORE_S, AFTER_S = 60.0, 1.0
OFTEN = 0.2  # share of the controlled time at a limit that is worth a word; our choice
SHOWN = 400  # points of a curve
CAUTION = (
    "Hands clear of fins that have power. What is told here is guidance from one flight; the range safety officer and local "
    "law decide, and Blockhouse is not a safety device."
)


def study(case: Case) -> Study:
    """Return what one flight tells of its servos."""
    end_s = fins_until(case, end_of_flight(case) or case.now_s)
    start_s = (case.t_of("lift_off") or 0.0) - BEFORE_S
    asked, seen = case.window("fins_commanded", start_s, end_s), case.window("fins", start_s, end_s)
    fins = [role for role in asked.columns if np.isfinite(asked[role]).any()]
    if not fins:
        return Study(
            SUBJECT, TITLE, ("Nothing was heard of what the fins were asked, so nothing of their servos can be told.",)
        )
    enabled = case.t_of("control_enabled")
    chains = {_name(role): _chain(asked, seen, role) for role in fins}
    supply = case.window("servo_bus", start_s, end_s)
    sag = sag_of(_samples(supply, "servo_bus.voltage"), _samples(supply, "servo_bus.current"))
    told = {name: chain for name, chain in chains.items() if chain is not None and not chain.reason}
    numbers = [number for name, chain in told.items() for number in _numbers(name, chain)] + _supply_numbers(sag)
    said, advice = _words(case, chains, told)
    if enabled is not None and enabled < end_s:
        limits = list(_limits(asked, told, fins, enabled, end_s))
        said += [sentence for sentence, _ in limits]
        advice += [text for _, text in limits if text]
    more, to_change = _supply_words(case, sag, any(chain is None for chain in chains.values()))
    pictures = [picture for name, role in zip(chains, fins, strict=True) for picture in _pictures(name, asked, seen, role)]
    advice = list(dict.fromkeys((*advice, *to_change)))
    return Study(SUBJECT, TITLE, (*said, *more), advice, numbers, pictures, (CAUTION,))


def _name(role: str) -> str:
    return f"fin {role[role.index('[') + 1 : role.index(']')]}"


def _samples(window: Window, role: str) -> tuple[np.ndarray, np.ndarray]:
    return (window.t, window[role]) if role in window.columns else (window.t[:0], window.t[:0])


def _chain(asked: Window, seen: Window, role: str) -> Chain | None:
    """Return the chain of one fin, None where nothing measures it."""
    measured = role.replace(".commanded", ".measured")
    t, angles = _samples(seen, measured)
    if not np.isfinite(angles).any():
        return None
    return identify((asked.t, asked[role]), (t, angles))


# ---------------------------------------------------------------- words


def _words(case: Case, chains: dict[str, Chain | None], told: dict[str, Chain]) -> tuple[list[str], list[str]]:
    said, advice = [], []
    for name, chain in told.items():
        said.append(_sentence(name, chain))
        advice += list(_advice(case, name, chain))
    untold: dict[str, list[str]] = {}
    for name, found in chains.items():
        if found is None:
            untold.setdefault("nothing measures where it stands: of its servo only what was asked is known", []).append(name)
        elif found.reason:
            untold.setdefault(found.reason, []).append(name)
    said += [f"{_listed(names)}: {reason}; not excited, nothing can be told." for reason, names in untold.items()]
    period_s = next((chain.period_s for chain in told.values()), None)
    if period_s is not None:
        said.append(
            f"Fins were heard {1.0 / period_s:.0f} times a second: when a command changed is known to "
            f"{1e3 * period_s:.0f} ms only, and that is in the intervals."
        )
    elif untold:
        advice.append("Run the bench trial fin-steps in ground test: it moves each fin far and fast enough to tell.")
    return said, advice


def _listed(names: list[str]) -> str:
    text = ", ".join(names)
    return text[:1].upper() + text[1:]


def _sentence(name: str, chain: Chain) -> str:
    delay, parts = chain.delay_s, []
    if delay.value is not None:
        parts.append(f"answers {_interval(delay, 1e3, 'ms')} after its command")
    if chain.lag_s.value is not None:
        parts.append(f"{_interval(chain.lag_s, 1e3, 'ms')} of it lag")
    if chain.rate.value is not None:
        parts.append(f"turns at most {_interval(chain.rate, degrees(1.0), 'deg/s')}")
    elif chain.rate.low:
        parts.append(f"was never asked for its greatest rate, which is above {degrees(chain.rate.low):.0f} deg/s")
    if chain.play.value is not None:
        parts.append(f"has {_interval(chain.play, degrees(1.0), 'deg', 2)} of play")
    elif not parts:
        parts.append("moved too little to tell anything of it")
    return f"{name[:1].upper()}{name[1:]} " + ", ".join(parts) + "."


def _interval(found: Estimate, scale: float, unit: str, digits: int = 0) -> str:
    value, low, high = (scale * (one or 0.0) for one in (found.value, found.low, found.high))
    return f"{value:.{digits}f} {unit} ({low:.{digits}f} to {high:.{digits}f})"


def _advice(case: Case, name: str, chain: Chain) -> Iterator[str]:
    """Yield what to change where the whole interval is beyond the sheet."""
    facts, name = case.facts, name[:1].upper() + name[1:]
    most_s, least, play = facts.servo_lag_most_s, facts.servo_rate_least_rad_s, facts.servo_backlash_rad
    if most_s is not None and chain.lag_s.low is not None and chain.lag_s.low > most_s:
        yield f"{name}: its lag is above the sheet's {1e3 * most_s:.0f} ms: a faster servo, or gains made for this one."
    if least is not None and chain.rate.high is not None and chain.rate.high < least:
        yield (
            f"{name}: slower than the sheet's {degrees(least):.0f} deg/s: look for friction and for a weak supply, then for "
            "another servo."
        )
    if play is not None and chain.play.low is not None and chain.play.low > play:
        yield f"{name}: more play than the sheet's {degrees(play):.2g} deg: tighten horn and linkage."
    if chain.ratio.high is not None and chain.ratio.high < 0.0:
        yield f"{name}: it turns against its command. Before anything else find out whether that is meant, on the bench."
    if chain.stops.stop_high is not None or chain.stops.stop_low is not None:
        yield f"{name}: it runs into an end stop before its command ends: limit the command or free the linkage."


def _limits(
    asked: Window, told: dict[str, Chain], fins: list[str], start_s: float, end_s: float
) -> Iterator[tuple[str, str]]:
    """Yield a sentence and what to change (or "") for limits met while control was on."""
    travel = [(_name(role), share_at_travel((asked.t, asked[role]), start_s, end_s)) for role in fins]
    met = [(name, *found) for name, found in travel if found is not None]
    if met:
        name, share, size = max(met, key=lambda one: one[1])
        change = "The fins were asked for all they may for long: lower the gain, or give more travel."
        yield (
            f"While control was on the command of {name} stood at its greatest, {degrees(size):.1f} deg, for "
            f"{100 * share:.0f} % of the time, longest of all.",
            change if share > OFTEN else "",
        )
    else:
        yield "While control was on no command stood at a limit of its travel.", ""
    known = [(name, chain) for name, chain in told.items() if chain.rate.value is not None]
    rates = {name: share_at_rate(chain.at_rate_limit, start_s, end_s) for name, chain in known}
    if rates:
        name = max(rates, key=rates.__getitem__)
        change = "Servos at their rate add delay that the gains do not count with: lower the gain or take faster servos."
        yield (
            f"The servo of {name} went at its greatest rate for {100 * rates[name]:.0f} % of that time, longest of all.",
            change if rates[name] > OFTEN else "",
        )


def _supply_words(case: Case, sag: Sag, is_blind: bool) -> tuple[list[str], list[str]]:
    said, advice, least = [], [], case.facts.servo_least_v
    if sag.least_v is not None:
        held = "" if least is None else f", the sheet's least is {least:.1f} V"
        said.append(f"The servos' supply went down to {sag.least_v:.2f} V{held}.")
        if least is not None and sag.least_v < least:
            advice.append(
                "The servos' supply fell below the sheet's least: a fresher battery, thicker wires, a supply of its own."
            )
    if sag.ohm is not None and sag.low is not None and sag.high is not None:
        said.append(f"It sags by {sag.ohm:.2f} V for each ampere ({sag.low:.2f} to {sag.high:.2f} ohm).")
    elif sag.least_v is not None:
        said.append(f"How far it sags cannot be told: {sag.reason}.")
    if is_blind and sag.spread_a > 0.05:
        said.append("The servos' current changed, so something moved; which fin, how far and how late it does not tell.")
    return said, advice


# ---------------------------------------------------------------- numbers and pictures


def _numbers(name: str, chain: Chain) -> Iterator[Number]:
    deg = degrees(1.0)
    for title, found, scale, unit in (
        ("dead time", chain.dead_s, 1e3, "ms"),
        ("lag", chain.lag_s, 1e3, "ms"),
        ("dead time and lag", chain.delay_s, 1e3, "ms"),
        ("greatest rate", chain.rate, deg, "deg/s"),
        ("backlash", chain.play, deg, "deg"),
        ("linkage ratio", chain.ratio, 1.0, ""),
        ("offset", chain.offset, deg, "deg"),
    ):
        value, low, high = (None if one is None else scale * one for one in (found.value, found.low, found.high))
        yield Number(f"{name}, {title}", value, low, high, unit, found.reason)
    if chain.stops.low is not None and chain.stops.high is not None:
        note = "end stop met" if chain.stops.stop_low is not None or chain.stops.stop_high is not None else ""
        yield Number(f"{name}, travel seen", deg * (chain.stops.high - chain.stops.low), unit="deg", note=note)


def _supply_numbers(sag: Sag) -> list[Number]:
    if sag.least_v is None:
        return []
    return [
        Number("supply, least voltage", sag.least_v, unit="V"),
        Number("supply, resistance", sag.ohm, sag.low, sag.high, "ohm", sag.reason),
    ]


def _pictures(name: str, asked: Window, seen: Window, role: str) -> Iterator[Picture]:
    """Draw the seconds around the most movement."""
    t, u = asked.t[np.isfinite(asked[role])], asked[role][np.isfinite(asked[role])]
    if len(t) < 8 or np.ptp(u) < 0.005:
        return
    order = np.argsort(t, kind="stable")
    t, u = t[order], u[order]
    busiest = t[int(np.argmax(np.abs(np.diff(u))))]
    measured_t, measured = _samples(seen, role.replace(".commanded", ".measured"))
    lines = []
    for title, times, angles in (("commanded", t, u), ("measured", measured_t, measured)):
        here = (times > busiest - 0.5) & (times < busiest + 2.0) & np.isfinite(angles)
        if here.any():
            kept = np.argsort(times[here], kind="stable")[:SHOWN]
            lines.append(Line(title, (times[here] - busiest)[kept].tolist(), np.degrees(angles[here])[kept].tolist()))
    yield Picture(f"{name}: around its greatest step", "time, s", "angle, deg", lines)
