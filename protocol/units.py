"""Display units: how an SI value on the wire is shown to a person.

Each entry gives (scale, offset) of display = SI * scale + offset. Factors are exact by definition (SI brochure, 9th
edition; the international foot is 0.3048 m).
"""

from __future__ import annotations

from math import pi

# Standard gravity, exact by definition: 3rd General Conference on Weights and Measures, 1901; NIST SP 811 (2008), app. B.
GRAVITY_M_S2 = 9.80665

CONVERSIONS: dict[tuple[str, str], tuple[float, float]] = {
    ("rad", "deg"): (180.0 / pi, 0.0),
    ("rad/s", "deg/s"): (180.0 / pi, 0.0),
    ("rad/s", "rpm"): (30.0 / pi, 0.0),
    ("K", "degC"): (1.0, -273.15),
    ("Pa", "hPa"): (0.01, 0.0),
    ("Pa", "kPa"): (0.001, 0.0),
    ("m", "ft"): (1.0 / 0.3048, 0.0),
    ("m", "km"): (0.001, 0.0),
    ("m/s", "ft/s"): (1.0 / 0.3048, 0.0),
    ("m/s", "km/h"): (3.6, 0.0),
    ("m/s2", "g"): (1.0 / GRAVITY_M_S2, 0.0),
    ("C", "mAh"): (1.0 / 3.6, 0.0),
    ("A", "mA"): (1000.0, 0.0),
    ("V", "mV"): (1000.0, 0.0),
    ("s", "ms"): (1000.0, 0.0),
    ("B", "MB"): (1e-6, 0.0),
    ("B", "GB"): (1e-9, 0.0),
    ("1", "%"): (100.0, 0.0),
}


def conversion(unit: str, display_unit: str) -> tuple[float, float] | None:
    """Return (scale, offset) from `unit` to `display_unit`, or None when the pair is not known."""
    if unit == display_unit:
        return (1.0, 0.0)
    return CONVERSIONS.get((unit, display_unit))
