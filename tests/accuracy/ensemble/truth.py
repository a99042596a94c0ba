"""Whether an alarm or finding is true of a drawn vehicle, and what should have been told and was not.

By what the simulator itself knows: nothing here asks the station. A text that no rule knows counts as neither.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from tests.accuracy.ensemble.motion import G
from tests.accuracy.ensemble.sensors import Drawn
from tests.accuracy.recorded.description import Known
from tests.accuracy.recorded.told import Told

# What the findings say of themselves: m/s at the ground, m/s2 at rest, K over the air, degC, s after apogee.
HARD_M_S, BIASED_M_S2, WARM_K, WARM_AIR_K, LATE_S = 12.0, 0.5, 8.0, 313.15, 1.5
CLEARLY = 1.25  # so much over its bound nobody may miss a hard landing
LOSS_WITHIN = 0.05


def _number(drawn: Drawn, name: str) -> float:
    value = drawn.traits.get(name)
    return float(value) if isinstance(value, int | float) else float("nan")


def _landing_m_s(drawn: Drawn) -> float:
    return next((one.value for one in drawn.known if one.quantity == "landing_speed" and one.value is not None), 0.0)


def _lost(text: str, drawn: Drawn) -> bool:
    told = re.search(r"(\d+) % of the packets", text)
    return told is None or abs(float(told[1]) / 100.0 - drawn.loss) < LOSS_WITHIN


def _honest(text: str, drawn: Drawn) -> bool:
    """The firmware and the gyro drawn here are never wrong by more than an ordinary one is."""
    return False


TRUTHS: tuple[tuple[str, Callable[[str, Drawn], bool]], ...] = (
    ("state vector", _honest),
    ("inertial unit", _honest),
    ("at rest before lift-off", lambda text, drawn: abs(_number(drawn, "rest_m_s2") - G) > BIASED_M_S2),
    ("thin link", _lost),
    ("warmer than the air by the sheet", lambda _, drawn: _number(drawn, "baro_k") - _number(drawn, "air_k") > WARM_K),
    ("warmer than air usually is", lambda _, drawn: _number(drawn, "baro_k") > WARM_AIR_K),
    (
        "nothing slowed it until",
        lambda _, drawn: drawn.traits["kind"] != "ballistic" and _number(drawn, "deploy_s") > LATE_S,
    ),
    ("came down ballistic", lambda _, drawn: drawn.traits["kind"] == "ballistic"),
    ("hard landing", lambda _, drawn: _landing_m_s(drawn) > HARD_M_S),
    ("end of its range", lambda _, drawn: bool(drawn.traits.get("clips"))),
)


def verdict(text: str, drawn: Drawn) -> str:
    """Return "true", "false", or "?" where no rule knows the text."""
    for part, is_true in TRUTHS:
        if part in text:
            return "true" if is_true(text, drawn) else "false"
    return "?"


def missed(drawn: Drawn, said: Sequence[str], pairs: Sequence[tuple[Known, Told]]) -> list[str]:
    """Return what had to be said of a vehicle and was not: findings, and numbers that are absent without a word."""
    out = [f"{known.quantity}: absent, no reason told" for known, told in pairs if not told.is_told and not told.reason]
    ballistic = drawn.traits["kind"] == "ballistic"
    if ballistic and not any("ballistic" in text for text in said):
        out.append("finding: came down ballistic")
    if not ballistic and _landing_m_s(drawn) > CLEARLY * HARD_M_S and not any("hard landing" in text for text in said):
        out.append("finding: hard landing")
    return out
