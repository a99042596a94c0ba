"""Numbers and sentences as a person reads them: the units that person chose, and one spelling for degrees and minus.

Everything is computed, kept and exported in SI; only what is read by people passes through here. The foot is exactly
0.3048 m and the mile exactly 1609.344 m (international yard and pound agreement of 1959; NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite

from server.flight.digits import with_doubt

FOOT_M = 0.3048
MILE_M = 1609.344
HOUR_S = 3600.0
DEGREE, MINUS, PLUS_MINUS = "\N{DEGREE SIGN}", "\N{MINUS SIGN}", "\N{PLUS-MINUS SIGN}"

_PER_HEIGHT = {"m": 1.0, "ft": 1.0 / FOOT_M}
_PER_SPEED = {"m/s": 1.0, "mph": HOUR_S / MILE_M}
# Stations write units in letters; a hyphen before a digit is a minus unless a word, a number or a bracket stands before it.
_SIGNS = (
    (re.compile(r" ?\bdeg/s\b"), f" {DEGREE}/s"),
    (re.compile(r" degC\b"), f" {DEGREE}C"),
    (re.compile(r"(?<=\d) (?:deg|degrees?)(?![\w/])"), DEGREE),
    (re.compile(r"\bm/s2\b"), "m/s\N{SUPERSCRIPT TWO}"),
    (re.compile(r"\+-"), PLUS_MINUS),
    (re.compile(r"(?:(?<=\bT)|(?<![\w.)\]+-]))-(?=\d)"), MINUS),
)
_AMOUNT = re.compile(
    rf"(?P<value>[-{MINUS}]?\d+(?:\.\d+)?)(?P<doubt> {PLUS_MINUS} \d+(?:\.\d+)?)? (?P<unit>m/s|m)(?![\w/\u00b2])"
)


def with_signs(text: str) -> str:
    """Return a sentence with the signs that people write: 54 deg as 54°, -3 as −3, m/s2 as m/s²."""
    for written, sign in _SIGNS:
        text = written.sub(sign, text)
    return text


def number(value: float, digits: int = 1) -> str:
    """Return a number with so many decimals and a true minus sign; no number as "-"."""
    if not isfinite(value):
        return "-"
    text = f"{abs(value):.{digits}f}"
    return MINUS + text if value < 0 and float(text) != 0.0 else text


@dataclass(frozen=True)
class Units:
    """The units in which one person reads heights and distances ("m" or "ft") and speeds ("m/s" or "mph")."""

    height: str = "m"
    speed: str = "m/s"

    def height_of(self, meters: float) -> float:
        """Return a height or distance in the chosen unit."""
        return meters * _PER_HEIGHT[self.height]

    def speed_of(self, m_s: float) -> float:
        """Return a speed in the chosen unit."""
        return m_s * _PER_SPEED[self.speed]

    def meters(self, value: float, digits: int = 0) -> str:
        """Return a height or distance given in meters, with its unit."""
        return f"{number(self.height_of(value), digits)} {self.height}"

    def meters_per_s(self, value: float, digits: int = 1) -> str:
        """Return a speed given in m/s, with its unit."""
        return f"{number(self.speed_of(value), digits)} {self.speed}"

    def meters_doubted(self, value: float, sigma: object, digits: int = 0) -> str:
        """Return a height in meters with half its 95 % interval, where it has one sigma."""
        if isinstance(sigma, int | float) and isfinite(sigma) and sigma > 0:
            return f"{with_signs(with_doubt(self.height_of(value), self.height_of(sigma)))} {self.height}"
        return self.meters(value, digits)

    def speed_doubted(self, value: float, sigma: object) -> str:
        """Return a speed in m/s with half its 95 % interval, where it has one sigma."""
        if isinstance(sigma, int | float) and isfinite(sigma) and sigma > 0:
            return f"{with_signs(with_doubt(self.speed_of(value), self.speed_of(sigma)))} {self.speed}"
        return self.meters_per_s(value)

    def said(self, text: str) -> str:
        """Return a recorded sentence in signs; each amount in another unit than the chosen one has that one beside it.

        The sentence keeps its own numbers, since some may stand in it without their unit.
        """
        return _AMOUNT.sub(self._beside, with_signs(text))

    def _beside(self, found: re.Match[str]) -> str:
        chosen, of = (self.height, self.height_of) if found["unit"] == "m" else (self.speed, self.speed_of)
        if chosen == found["unit"]:
            return found[0]
        value = float(found["value"].replace(MINUS, "-"))
        decimals = len(found["value"].partition(".")[2]) if found["unit"] == "m/s" else 0
        doubt = "" if found["doubt"] is None else f" {PLUS_MINUS} {number(of(float(found['doubt'][3:])), decimals)}"
        return f"{found[0]} ({number(of(value), decimals)}{doubt} {chosen})"


METRIC, IMPERIAL = Units(), Units("ft", "mph")
CHOICES = {"metric": METRIC, "imperial": IMPERIAL}
