"""Which columns of a log are forces, turn rates, places and what plain words say, and where the nose is."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np

from protocol.arrays import Floats
from protocol.frames import BODY_AXES
from protocol.roles import to_role_unit
from protocol.units import GRAVITY_M_S2
from server.logs.log_columns import Column, Meaning, level_of, name_of, of_role

# Ours: a rail leans by up to 25 deg, a sensor is off by 5 %.
G_LOW, G_HIGH = 0.85, 1.15
NOSE_SHARE = 0.85
RANGE_RAD_S = 40.0  # above what any rate sensor of a model reaches in rad/s: 2000 deg/s are 35


_AXIS = re.compile(r"(?:^|.*_)(?:acc\w*?|a|accel\w*?|acceleration)_?([xyz])(?:_.*|\d*$)|([xyz])_?acc\w*")
_RATE = re.compile(r"(?:^|.*_)(?:gyr\w*?|g|w|omega|rate|rot\w*?)_?([xyz])(?:_.*|\d*$)|([xyz])_?(?:gyr\w*|rate)")


def _axis(pattern: re.Pattern[str], column: Column) -> str:
    if column.words in ("x", "y", "z"):
        return column.words if column.unit else ""  # its unit says of what
    found = pattern.fullmatch(column.words)
    return (found[1] or found[2]) if found else ""


def find_forces(free: Sequence[Column], meaning: Meaning) -> None:
    """Find three axes of force, or a single one, and where the nose is."""
    for triple in _triples(free, _AXIS, ("m/s2", "g", "mg")):
        if of_role(meaning, "accel.a.z") is None and of_role(meaning, "accel.a.x") is None:
            _take_triple(triple, meaning)
        elif all(of_role(meaning, f"accel.b.{axis}") is None for axis in "xyz"):
            _take_triple(triple, meaning, "b")
    if any(column.role.startswith("accel.") for column in free):
        return
    # A single axis; one that rests at 1 g in the unit written above it goes before one whose unit would have to be wrong.
    for column in sorted(free, key=lambda one: one.values is None or not _rests_as_written(one)):
        if column.taken or column.values is None:
            continue
        is_named = re.search(r"(?:^|_)(?:acc\w*|g_?force|force|axial)(?:_|$)", column.words)
        if not (is_named or column.unit in ("m/s2", "g", "mg") or not column.words):
            continue
        level = level_of(column.values)
        unit = _force_unit(abs(level), column.unit)
        if not column.words and not (unit and _kicks(column.values, level)):
            continue
        if not unit:
            if is_named or column.unit in ("m/s2", "g", "mg"):
                meaning.unknown.append(_no_gravity(column, level))
            continue
        _say_unit(column, unit, meaning)
        column.role, column.unit, column.taken = "accel.a.z", unit, True
        meaning.nose = "z" if level > 0.0 else "-z"
        if level < 0.0:
            meaning.assumed.append(f"{name_of(column)} points to the tail: it reads -1 g on the pad")
        return


def _rests_as_written(column: Column) -> bool:
    size = abs(level_of(column.values)) if column.values is not None else 0.0
    return column.unit != "" and _force_unit(size, column.unit) == column.unit


def _kicks(x: Floats, level: float) -> bool:
    """Whether a column that rests at 1 g is thrown about as in a flight."""
    return float(np.nanmax(np.abs(x))) > 2.0 * abs(level)


def _triples(free: Sequence[Column], pattern: re.Pattern[str], units: tuple[str, ...]) -> Iterator[list[Column]]:
    """Yield x, y, z columns of one sensor: by their words, else three side by side without any words."""
    free = [column for column in free if not column.taken and column.values is not None]
    named = [c for c in free if _axis(pattern, c) and (not c.unit or c.unit in units)]
    while named:
        triple: dict[str, Column] = {}
        for column in named:
            if column.file == named[0].file:
                triple.setdefault(_axis(pattern, column), column)
        named = [column for column in named if column not in triple.values()]
        yield [triple[axis] for axis in sorted(triple)]
    for a, b, c in zip(free, free[1:], free[2:], strict=False):
        if not (a.words or b.words or c.words) and a.file == c.file and (a.place + 1, b.place + 1) == (b.place, c.place):
            yield [a, b, c]


def _force_unit(size: float, declared: str) -> str:
    """Return the unit in which a force of this size is 1 g, the declared one first; "" for none."""
    per = {"m/s2": GRAVITY_M_S2, "g": 1.0, "mg": 1000.0}
    order = [declared, *per] if declared in per else list(per)
    return next((unit for unit in order if G_LOW < size / per[unit] < G_HIGH), "")


def _say_unit(column: Column, unit: str, meaning: Meaning) -> None:
    if column.unit and column.unit != unit:
        meaning.assumed.append(f"{name_of(column)} is in {unit} and not in {column.unit}, since it rests at 1 g on the pad")
    elif not column.unit:
        meaning.assumed.append(f"{name_of(column)} is in {unit}, since it rests at 1 g on the pad")


def _no_gravity(column: Column, level: float) -> str:
    return f"{name_of(column)} rests at {level:.3g} on the pad and not at 1 g: gravity was taken out, or it lies across"


def _take_triple(triple: list[Column], meaning: Meaning, unit_name: str = "a") -> None:
    if any(column.taken for column in triple):
        return
    levels = np.array([level_of(column.values) for column in triple if column.values is not None])
    size = float(np.linalg.norm(levels))
    unit = _force_unit(size, triple[0].unit)
    nose = int(np.argmax(np.abs(levels)))
    if not unit:
        if triple[0].words:
            meaning.unknown.append(_no_gravity(triple[nose], float(levels[nose])))
        return
    if not triple[0].words and not any(column.values is not None and _kicks(column.values, size) for column in triple):
        return
    if abs(levels[nose]) < NOSE_SHARE * size:
        meaning.unknown.append(
            f"{name_of(triple[0])} and its like: no axis lies along gravity on the pad, so the nose is not known"
        )
        return
    axes = [_axis(_AXIS, column) or "xyz"[i] for i, column in enumerate(triple)]
    wanted = next(key for key in BODY_AXES if key == ("-" if levels[nose] < 0.0 else "") + axes[nose])
    if unit_name == "b" and wanted != meaning.nose:
        meaning.unknown.append(f"{name_of(triple[0])} and its like stand otherwise than the first unit, and are left out")
        return
    meaning.nose = wanted
    if wanted != "z":
        meaning.assumed.append(f"the nose is along {wanted}: {name_of(triple[nose])} reads 1 g on the pad")
    for axis, column in zip(axes, triple, strict=True):
        _say_unit(column, unit, meaning)
        column.role, column.unit, column.taken = f"accel.{unit_name}.{axis}", unit, True


def find_rates(free: Sequence[Column], meaning: Meaning) -> None:
    """Find turn rates by their words."""
    names = iter("ab")
    for triple in _triples(free, _RATE, ("rad/s", "deg/s", "rpm")):
        if not triple[0].words:
            continue
        unit = triple[0].unit
        greatest = max(float(np.nanmax(np.abs(column.values))) for column in triple if column.values is not None)
        if not unit and greatest > RANGE_RAD_S:
            unit = "deg/s"
            meaning.assumed.append(
                f"{name_of(triple[0])} and its like are in deg/s, since no sensor turns {greatest:.0f} rad/s"
            )
        if not unit:
            meaning.unknown.append(f"{name_of(triple[0])} and its like are turn rates, in rad/s or deg/s cannot be told")
            continue
        name = next(names, "")
        for column in triple if name else []:
            column.role, column.unit, column.taken = f"gyro.{name}.{_axis(_RATE, column)}", unit, True


def find_places(free: Sequence[Column], meaning: Meaning) -> None:
    """Latitude and longitude by their words, else two columns without any that hardly move and have many decimals."""
    for role, words, bound in (
        ("latitude", r"(?:^|.*_)lat(?:itude)?(?:_.*|$)", 90.0),
        ("longitude", r"(?:^|.*_)lo?ng?(?:itude)?(?:_.*|$)", 180.0),
    ):
        for column in free:
            x = column.values
            if column.taken or x is None or not re.fullmatch(words, column.words) or column.unit not in ("", "deg", "rad"):
                continue
            greatest = float(np.nanmax(np.abs(x)))
            if greatest > bound * 1e5 and greatest <= bound * 1e7:
                column.scale = 1e-7  # whole numbers of ten millionths of a degree
            elif greatest > bound:
                meaning.unknown.append(f"{name_of(column)} has values beyond {bound:.0f} deg")
                continue
            column.role, column.unit, column.taken = f"gnss.{role}", column.unit or "deg", True
            break
    if of_role(meaning, "gnss.latitude") is not None:
        return
    bare = [c for c in free if not c.taken and not c.words and c.values is not None and _is_place(c.values)]
    for a, b in zip(bare, bare[1:], strict=False):
        latitude = a.values
        if (
            latitude is not None
            and (b.place, b.file) == (a.place + 1, a.file)
            and float(np.nanmax(np.abs(latitude))) <= 90.0
        ):
            for column, role in ((a, "gnss.latitude"), (b, "gnss.longitude")):
                column.role, column.unit, column.taken = role, "deg", True
            meaning.assumed.append(
                f"columns {a.place + 1} and {b.place + 1} are latitude and longitude, by how little they move"
            )
            return


def _is_place(x: Floats) -> bool:
    x = x[np.isfinite(x)]
    if len(x) < 3 or not 0.0 < np.ptp(x) < 0.5 or np.max(np.abs(x)) > 180.0 or np.min(np.abs(x)) < 0.5:
        return False
    return bool((np.abs(x * 1e4 - np.round(x * 1e4)) > 1e-6).mean() > 0.5 and np.median(np.abs(np.diff(x))) < 1e-3)


# Words, role, units by level at rest: (unit, lowest, highest), the first that fits.
_PLAIN: tuple[tuple[str, str, tuple[tuple[str, float, float], ...]], ...] = (
    (r"(?:air|outside)_?temp(?:erature)?(?:_.*|\d*)?", "baro_temperature", (("K", 220.0, 330.0), ("degC", -45.0, 55.0))),
    (
        r"(?:v?batt?(?:ery)?|vbat|supply|volt(?:age|s)?)(?:_?v(?:olt\w*)?)?(?:_.*)?",
        "battery.voltage",
        (("mV", 2000.0, 60000.0), ("V", 2.0, 60.0)),
    ),
    (r"(?:gps|gnss)_?(?:alt(?:itude)?|height)(?:_.*)?", "gnss.height", (("m", -500.0, 9000.0),)),
    (r"(?:gps|gnss)_?(?:speed|vel\w*)(?:_.*)?", "gnss.speed", ()),
    (r"(?:gps_?|gnss_?|n_?)?sats?(?:ellites)?(?:_.*)?", "gnss.satellites", (("", 0.0, 80.0),)),
    (r"(?:gps|gnss)?_?fix(?:_?type)?", "gnss.fix", (("", 0.0, 9.0),)),
)  # fmt: skip


_BOARD = re.compile(r"(?:.*_)?temp(?:erature)?(?:_.*|\d*)?")


def find_by_words(free: Sequence[Column], meaning: Meaning) -> None:
    """Find what plain words say, where the values fit."""
    for column in free:
        if column.taken or column.values is None:
            continue
        if _BOARD.fullmatch(column.words) and not re.match("air|outside", column.words):
            if not column.unit:
                column.unit = next((u for u, low, high in _PLAIN[0][2] if low <= level_of(column.values) <= high), "")
            meaning.assumed.append(f"{name_of(column)} is a board's temperature: without a role, since boards are warm")
            continue
        for pattern, role, levels in _PLAIN:
            if not re.fullmatch(pattern, column.words) or of_role(meaning, role) is not None:
                continue
            level = level_of(column.values)
            fits = [unit for unit, low, high in levels if low <= level <= high]
            unit = column.unit or (fits[0] if fits else "")
            if to_role_unit(role, unit) is None or (not unit and not any(one == "" for one, _, _ in levels)):
                meaning.unknown.append(f"{name_of(column)} has no unit that can be told")
                break
            if not column.unit and unit:
                meaning.assumed.append(f"{name_of(column)} is in {unit}, by its values")
            column.role, column.unit, column.taken = role, unit, True
            break
