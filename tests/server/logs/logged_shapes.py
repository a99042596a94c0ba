"""Eighteen logs of invented shapes, all of one flight: what loggers write, and what happens to files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from server.flight.air.atmosphere import pressure_at_geopotential_m

Floats = NDArray[np.float64]
PAD_S, BURN_S, STEP_S, SITE_M, REST_S = 20.0, 1.8, 0.02, 240.0, 20.0
G = 9.80665


@dataclass(frozen=True)
class Flown:
    """A flight straight up: times, height over the pad, speed, force along the nose without noise; when it left, its top."""

    t: Floats
    height: Floats
    speed: Floats
    force: Floats
    lift_off_s: float
    apogee_m: float
    landing_s: float


@cache
def flown() -> Flown:
    """Integrate a light model: 75 m/s2 of thrust for 1.8 s, square drag, a canopy from one second after the top."""
    t, h, v, out, opened = 0.0, 0.0, 0.0, [], None
    while t < PAD_S + 300.0:
        thrust = 75.0 if PAD_S <= t < PAD_S + BURN_S else 0.0
        drag = 0.0011 * v * abs(v)
        if opened is not None and t > opened + 1.0:
            drag = G * v * abs(v) / 11.0**2
        flies = h > 0.0 or thrust > 0.0
        force = thrust - drag if flies else G
        out.append((t, h, v, force))
        if flies:
            v += (force - G) * STEP_S
            h += v * STEP_S
            if opened is None and v < 0.0:
                opened = t
            if h <= 0.0 and t > PAD_S + 5.0:
                h, v = 0.0, 0.0
                landed = t
        elif opened is not None and t > landed + REST_S:
            break
        t += STEP_S
    rows = np.array(out)
    return Flown(*rows.T, PAD_S, float(rows[:, 1].max()), landed)


def columns(seed: int) -> dict[str, Floats]:
    """Return every quantity as measured, in SI units."""
    flight, rng = flown(), np.random.default_rng([31, seed])
    n = len(flight.t)

    def noisy(x: Floats, sigma: float) -> Floats:
        return x + sigma * rng.standard_normal(n)

    east = 30.0 * np.clip((flight.t - PAD_S) / 60.0, 0.0, 1.0)
    return {
        "t": flight.t,
        "height": noisy(flight.height, 0.3),
        "speed": noisy(flight.speed, 0.5),
        "pressure": noisy(pressure_at_geopotential_m(SITE_M + flight.height), 3.0),
        "along": noisy(flight.force, 0.15),
        "across_1": noisy(np.zeros(n), 0.15),
        "across_2": noisy(np.zeros(n), 0.15),
        "roll": noisy(np.where(flight.height > 1.0, 2.0, 0.0), 0.02),
        "rate_1": noisy(np.zeros(n), 0.02),
        "rate_2": noisy(np.zeros(n), 0.02),
        "kelvin": noisy(np.full(n, 294.0), 0.05),
        "volts": noisy(np.full(n, 7.9), 0.01),
        "latitude": 39.4321 + noisy(np.zeros(n), 1.0) / 6.37e6 * 57.3,
        "longitude": -8.1234 + noisy(east, 1.0) / 4.92e6 * 57.3,
    }


@dataclass(frozen=True)
class Shape:
    """One shape: writes its files into a folder, and says whether a force is among what it holds."""

    name: str
    write: Callable[[Path], list[Path]]
    has_force: bool = True
    landed: bool = True


def _file(folder: Path, name: str, lines: Sequence[str], encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(("\n".join(lines) + "\n").encode(encoding))
    return path


def _rows(values: Sequence[Floats], formats: Sequence[str], separator: str = ",", every: int = 1) -> list[str]:
    return [
        separator.join(form.format(x) for form, x in zip(formats, row, strict=True))
        for row in zip(*[v[::every] for v in values], strict=True)
    ]


def _plain(folder: Path) -> list[Path]:
    c = columns(1)
    rows = _rows([c["t"], c["height"], c["along"]], ["{:.2f}", "{:.2f}", "{:.3f}"])
    return [_file(folder, "plain.csv", ["time (s),altitude (m),accel z (m/s^2)", *rows])]


def _semicolon(folder: Path) -> list[Path]:
    c = columns(2)
    rows = _rows([c["t"] * 1e3, c["pressure"] / 100.0, c["kelvin"] - 273.15], ["{:.0f}", "{:.2f}", "{:.1f}"], ";")
    return [_file(folder, "air.txt", ["Millis;Pressure [hPa];Temp [degC]", *rows])]


def _decimal_comma(folder: Path) -> list[Path]:
    c = columns(3)
    rows = _rows([c["t"], c["height"], c["volts"]], ["{:.2f}", "{:.2f}", "{:.2f}"], ";")
    return [_file(folder, "comma.csv", ["Time [s];Height [m];Battery [V]", *[row.replace(".", ",") for row in rows]])]


def _tab(folder: Path) -> list[Path]:
    c = columns(4)
    rows = _rows(
        [c["t"] * 1e3, c["along"] / G, c["across_1"] / G, c["across_2"] / G, c["pressure"]],
        ["{:.0f}"] + ["{:.4f}"] * 3 + ["{:.0f}"],
        "\t",
    )
    return [_file(folder, "flight 4.tsv", ["ms\tAccX\tAccY\tAccZ\tPress", *rows])]


def _spaces(folder: Path) -> list[Path]:
    c = columns(5)
    rows = _rows([c["t"], c["height"], c["speed"]], ["{:8.2f}", "{:9.2f}", "{:8.2f}"], " ")
    return [_file(folder, "spaces.dat", ["# made on board", "# time height speed", *rows])]


def _no_header(folder: Path) -> list[Path]:
    c = columns(6)
    rows = _rows([c["t"] * 1e3, c["pressure"], c["across_1"], c["across_2"], c["along"]], ["{:.0f}"] * 2 + ["{:.3f}"] * 3)
    return [_file(folder, "LOG0006.TXT", rows)]


def _epoch(folder: Path) -> list[Path]:
    c = columns(7)
    rows = _rows([c["t"] * 1e3 + 1.7645e12, c["height"] / 0.3048, c["speed"] / 0.3048], ["{:.0f}", "{:.1f}", "{:.1f}"])
    return [_file(folder, "epoch.csv", ["timestamp,altitude_ft,velocity_fps", *rows])]


def _unit_row(folder: Path) -> list[Path]:
    c = columns(8)
    rows = _rows(
        [c["t"], c["pressure"] / 1e3, -c["along"], c["across_1"], c["across_2"]], ["{:.2f}", "{:.4f}"] + ["{:.3f}"] * 3
    )
    return [_file(folder, "rows.csv", ["Time,Pressure,AccelY,AccelX,AccelZ", "(s),(kPa),(m/s2),(m/s2),(m/s2)", *rows])]


def _nowhere(folder: Path) -> list[Path]:
    c = columns(9)
    rows = _rows([c["t"] * 1e6, c["height"] / 0.3048, c["along"] / G], ["{:.0f}", "{:.1f}", "{:.3f}"])
    return [_file(folder, "bare.csv", ["time,alt,acc", *rows])]


def _reversed(folder: Path) -> list[Path]:
    c = columns(10)
    names = "t,ax,ay,az,gx,gy,gz,baro"
    values = [c["t"], c["across_1"], -c["along"], c["across_2"]]
    values += [np.degrees(c[name]) for name in ("rate_1", "roll", "rate_2")] + [c["pressure"]]
    return [_file(folder, "imu.csv", [names, *_rows(values, ["{:.2f}"] + ["{:.4f}"] * 6 + ["{:.0f}"])])]


def _several(folder: Path) -> list[Path]:
    c = columns(11)
    imu = _rows([c["t"], c["across_1"], c["across_2"], c["along"]], ["{:.3f}"] + ["{:.3f}"] * 3)
    air = _rows([c["t"], c["pressure"], c["kelvin"]], ["{:.3f}", "{:.1f}", "{:.2f}"], every=3)
    place = _rows([c["t"], c["latitude"], c["longitude"]], ["{:.1f}", "{:.7f}", "{:.7f}"], every=20)
    return [
        _file(folder, "imu.csv", ["time_s,acc_x,acc_y,acc_z", *imu]),
        _file(folder, "air.csv", ["time_s,pressure_pa,temperature_k", *air]),
        _file(folder, "gnss.csv", ["time_s,lat,lon", *place]),
    ]


def _words(folder: Path) -> list[Path]:
    c = columns(12)
    states = np.where(c["t"] < PAD_S, 0, np.where(c["t"] < PAD_S + BURN_S, 1, 2))
    rows = _rows([c["t"], c["height"]], ["{:.2f}", "{:.2f}"])
    names = ("on the rail", "boost", "flight")
    rows = [f'{i},{names[s]},{row},"ok, fine"' for i, (row, s) in enumerate(zip(rows, states.tolist(), strict=True))]
    return [_file(folder, "words.csv", ["Index,State,Time (sec),Altitude AGL (meters),Remark", *rows])]


def _repeated(folder: Path) -> list[Path]:
    c = columns(13)
    head = "elapsed ms,baro alt m,accel g"
    rows = _rows([c["t"] * 1e3, c["height"], c["along"] / G], ["{:.0f}", "{:.1f}", "{:.2f}"])
    out = [line for i, row in enumerate(rows) for line in ([head, row] if i % 500 == 0 else [row])]
    return [_file(folder, "again.csv", out)]


def _missing(folder: Path) -> list[Path]:
    c = columns(14)
    rows = _rows([c["t"], c["pressure"], c["along"] / G], ["{:.2f}", "{:.0f}", "{:.2f}"])
    rows = [
        f"{row.split(',')[0]},{row.split(',')[1] if i % 4 == 0 else ''},{row.split(',')[2]}" for i, row in enumerate(rows)
    ]
    rows = [row if i % 97 else row.replace(row.split(",")[2], "nan") for i, row in enumerate(rows)]
    return [_file(folder, "holes.csv", ["Time_s,Pressure_Pa,Acceleration_g", *rows])]


def _clock(folder: Path) -> list[Path]:
    c = columns(15)
    words = [f"14:{int(30 + t // 60):02d}:{t % 60:05.2f}" for t in c["t"].tolist()]
    rows = _rows([c["height"], c["kelvin"] - 273.15], ["{:.2f}", "{:.1f}"])
    return [
        _file(
            folder, "clock.csv", ["UTC,Altitude(m),Temperature(°C)", *[f"{w},{r}" for w, r in zip(words, rows, strict=True)]]
        )
    ]


def _spoilt(folder: Path) -> list[Path]:
    c = columns(16)
    rows = _rows([c["t"] * 1e3, c["pressure"], c["along"]], ["{:.0f}", "{:.0f}", "{:.2f}"])
    rows = [row if i % 211 else row[: len(row) // 2] for i, row in enumerate(rows)]
    head = ["// board 3, second flight", "", "uptime_ms, press_Pa, az_mps2"]
    return [_file(folder, "spoilt.log", [*head, *rows], "utf-8-sig")]


def _filtered(folder: Path) -> list[Path]:
    c = columns(17)
    rows = _rows([c["t"], c["height"], c["along"] - G], ["{:.2f}", "{:.2f}", "{:.2f}"])
    return [_file(folder, "filtered.csv", ["Time,Height,Vertical Acceleration", *rows])]


def _bare_all(folder: Path) -> list[Path]:
    c = columns(18)
    n = np.arange(len(c["t"]), dtype=np.float64)
    values = [n, c["t"] * 1e3 + 4711.0, c["pressure"] / 100.0, c["height"], c["latitude"], c["longitude"], c["along"] / G]
    rows = _rows(values, ["{:.0f}", "{:.0f}", "{:.2f}", "{:.2f}", "{:.7f}", "{:.7f}", "{:.3f}"], "|")
    return [_file(folder, "bare.txt", rows)]


SHAPES = (
    Shape("comma, units in brackets", _plain),
    Shape("semicolon, ms, hPa, degC", _semicolon, has_force=False),
    Shape("decimal comma", _decimal_comma, has_force=False),
    Shape("tab, ms, g by its size, nose along x", _tab),
    Shape("spaces, names in a comment", _spaces, has_force=False),
    Shape("no header, ms by the fall", _no_header),
    Shape("epoch in ms, feet", _epoch, has_force=False),
    Shape("units in a second row, nose along -y", _unit_row),
    Shape("units nowhere, us and feet by the fall", _nowhere),
    Shape("reversed axis, deg/s unsaid", _reversed),
    Shape("three files", _several),
    Shape("columns of words", _words, has_force=False),
    Shape("header repeated", _repeated),
    Shape("missing values", _missing),
    Shape("time of day", _clock, has_force=False),
    Shape("comments, spoilt lines, byte order mark", _spoilt),
    Shape("force without gravity", _filtered, has_force=False),
    Shape("no header, bars, a counter and a place", _bare_all),
)
