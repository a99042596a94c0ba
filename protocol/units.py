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

# Units a wire may carry and nobody is shown: of which unit they are a multiple, exactly (SI brochure, 9th edition; the
# standard atmosphere's bar is 100 kPa, the international knot 1852 m/h).
ALIKE: dict[str, tuple[str, float]] = {
    "mbar": ("Pa", 100.0),
    "mg": ("m/s2", 1e-3 * GRAVITY_M_S2),
    "uT": ("T", 1e-6),
    "gauss": ("T", 1e-4),
    "us": ("s", 1e-6),
    "kn": ("m/s", 1852.0 / 3600.0),
    "cm": ("m", 0.01),
    "mm": ("m", 0.001),
}


def conversion(unit: str, display_unit: str) -> tuple[float, float] | None:
    """Return (scale, offset) from `unit` to `display_unit`, or None when the pair is not known."""
    if unit == display_unit:
        return (1.0, 0.0)
    return CONVERSIONS.get((unit, display_unit))


def to_unit(unit: str, wanted: str) -> tuple[float, float] | None:
    """Return (scale, offset) of value in `wanted` = value in `unit` * scale + offset, either way round; None for no way."""
    found = conversion(unit, wanted)
    if found is not None:
        return found
    back = conversion(wanted, unit)
    if back is not None:
        return (1.0 / back[0], -back[1] / back[0])
    alike = ALIKE.get(unit)
    return None if alike is None or alike[0] != wanted else (alike[1], 0.0)
