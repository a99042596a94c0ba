"""What to change after a pitch-over: by the cause, and never what makes another cause worse.

Less static margin is advised only where the margin is surely large and the wind is the cause; whatever may be unstable hears
nothing but the balance. Bounds are the rules of thumb of tests/SOURCES.md, launch-rules-of-thumb (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator

from server.flight.causes.shares import ASKEW, FINS, GUST, LINE, MOTOR, TIP_OFF, UNSTABLE, WIND, Shares
from server.flight.causes.verdict import Verdict

MUCH_MARGIN, LITTLE_MARGIN = 2.0, 1.0  # calibers
WIND_TIMES = 4.0  # rail exit over wind
MAYBE_UNSTABLE = 0.2
BALANCE = (
    "Do not fly it again as it is: move the center of gravity forward or enlarge the fins until the margin is at least one "
    "caliber, with the motor in, and weigh and balance it anew."
)
ADVICE = {
    TIP_OFF: (
        "Look at buttons or lugs, their play and place, and at the rail: a rail that whips or a rear button far ahead "
        "of the center of gravity lets the nose drop or turn as the front one leaves. A stiffer or longer rail helps."
    ),
    WIND: "Fly in less wind, or leave the rail faster: a longer rail, or more thrust for the weight.",
    GUST: "Wait for a lull and watch the wind for minutes before; a faster rail exit makes every gust smaller.",
    LINE: (
        "Look at the motor mount: is the motor's axis the body's, does the mount give, is the nozzle whole? Sight along "
        "the tube and turn the vehicle on its axis."
    ),
    ASKEW: "Look at the fins: one that is set askew or bent, or a body that is bent, pushes to one side all the time.",
    FINS: "Look at the fins' zero: unequal angles at rest pitch it; trim them on the Bench.",
}


def advice_of(
    shares: Shares, verdict: Verdict, exit_m_s: float, exit_over_wind: float, thrust: tuple[float, float] | None
) -> tuple[str, ...]:
    """Return what to change, most telling first; `thrust`: share of the declared impulse and its sigma."""
    return tuple(_advice(shares, verdict, exit_m_s, exit_over_wind, thrust))


def _advice(
    shares: Shares, verdict: Verdict, exit_m_s: float, exit_over_wind: float, thrust: tuple[float, float] | None
) -> Iterator[str]:
    if verdict.is_unstable:
        yield BALANCE
        return
    named = tuple(dict.fromkeys(one for one in (verdict.main, *verdict.calls) if one is not None and one != UNSTABLE))
    if not named:
        return
    may_be_unstable = shares.odds_unstable > MAYBE_UNSTABLE
    if may_be_unstable:
        yield "First of all check the static margin: this flight does not show that it was stable."
    is_weak = thrust is not None and thrust[0] + 2.0 * thrust[1] < 1.0
    if thrust is not None and is_weak and (MOTOR in named or thrust[0] < 0.9):
        yield (
            f"Find out why the motor gave {100.0 * thrust[0]:.0f} % of what its curve declares; until then plan with what "
            "it gave: a longer rail, or a stronger motor."
        )
    wind = next((one for one in named if one in (WIND, GUST)), None)
    if wind is not None and exit_over_wind < WIND_TIMES:
        yield (
            f"It left the rail at {exit_m_s:.1f} m/s, {exit_over_wind:.1f} times the wind it met; common practice asks for "
            f"{WIND_TIMES:.0f} times: a longer rail, more thrust for the weight, or less wind."
        )
    yield from (ADVICE[one] for one in named if one in ADVICE)
    if wind is not None and shares.margin_low > MUCH_MARGIN:
        yield (
            f"Its margin is more than {MUCH_MARGIN:.0f} calibers, which turns it far into the wind; one to two are enough. "
            "Change it in small steps, and never below one."
        )
    if not may_be_unstable and shares.margin_high < LITTLE_MARGIN:
        yield (
            "Its margin is under one caliber: what disturbs it turns it far. Move the center of gravity forward or enlarge "
            "the fins."
        )
