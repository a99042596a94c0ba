"""Ten more logs of invented shapes of the same flight, as strangers write them: clocks that wrap, units in the cells."""

from __future__ import annotations

from pathlib import Path

from tests.server.logs.logged_shapes import G, Shape, _file, _rows, columns


def _own_words(folder: Path) -> list[Path]:
    c = columns(21)
    rows = _rows(
        [c["kelvin"] - 273.15, c["t"] * 1e3, c["pressure"] / 100.0, c["along"] / G],
        ["{:.1f}", "{:.0f}", "{:.2f}", "{:.3f}"],
        ";",
    )
    head = ["Warmth;Since on;Air;Push", "[°C];[ms];[hPa];[g]"]
    return [_file(folder, "own words.csv", [*head, *[row.replace(".", ",") for row in rows]], "utf-8-sig")]


def _short_counter(folder: Path) -> list[Path]:
    c = columns(22)
    rows = _rows([(c["t"] * 1e3 + 61_000.0) % 65_536.0, c["height"], c["along"] / G], ["{:.0f}", "{:.1f}", "{:.2f}"])
    return [_file(folder, "ticks.csv", ["tick_ms,alt_m,acc_g", *rows])]


def _trailing(folder: Path) -> list[Path]:
    c = columns(23)
    rows = [f"{row}," for row in _rows([c["t"], c["height"] / 0.3048, c["along"] / G], ["{:.2f}", "{:.1f}", "{:.3f}"])]
    rows[1200:1200] = ["# lift-off seen", "", "# armed again"]
    rows.append("# closed by the switch")
    return [_file(folder, "feet.csv", ["# flight 3", "Flight Time (s), Altitude (ft), Accel (g)", *rows])]


def _time_last(folder: Path) -> list[Path]:
    c = columns(24)
    numbers = [float(i % 256) for i in range(len(c["t"]))]
    rows = _rows([numbers, c["across_1"], c["along"], c["pressure"] / 100.0, c["t"]], ["{:.0f}"] + ["{:.3f}"] * 4)
    return [_file(folder, "last.dat", ["no,a_across/(m/s²),a_axial/(m/s²),p/hPa,t/s", *rows])]


def _two_clocks(folder: Path) -> list[Path]:
    c = columns(25)
    force = _rows(
        [c["t"], c["across_1"] / G * 1e3, c["along"] / G * 1e3, c["across_2"] / G * 1e3], ["{:.3f}"] + ["{:.0f}"] * 3
    )
    air = _rows([c["t"] * 1e3, c["pressure"], c["kelvin"] - 273.15], ["{:.0f}", "{:.0f}", "{:.1f}"], "\t", every=4)
    return [
        _file(folder, "MOTION LOG.CSV", ["Seconds,X (mg),Y (mg),Z (mg)", *force]),
        _file(folder, "Air log.txt", ["Millis\tBaro (Pa)\tTemp C", *air], "utf-16"),
    ]


def _units_in_cells(folder: Path) -> list[Path]:
    c = columns(26)
    rows = _rows([c["t"] * 1e3, c["pressure"], c["along"], c["volts"]], ["{:.0f} ms", "{:.0f} Pa", "{:.2f} m/s2", "{:.2f}V"])
    return [_file(folder, "cells.txt", ["uptime, static, axial, bus", *rows])]


def _midnight(folder: Path) -> list[Path]:
    c = columns(27)
    seconds = [(86_400.0 - 30.0 + t) % 86_400.0 for t in c["t"].tolist()]
    words = [f"{int(s // 3600):02d}:{int(s // 60) % 60:02d}:{s % 60:05.2f}" for s in seconds]
    days = ["2031-03-01" if s > 40_000.0 else "2031-03-02" for s in seconds]
    rows = _rows([c["pressure"]], ["{:.1f}"])
    return [
        _file(folder, "night.csv", ["Date,Clock,Pressure", *[",".join(one) for one in zip(days, words, rows, strict=True)]])
    ]


def _minutes(folder: Path) -> list[Path]:
    c = columns(28)
    words = [f"{int(t // 60):02d}:{t % 60:06.3f}" for t in c["t"].tolist()]
    rows = _rows([c["height"], c["speed"] * 3.6], ["{:.1f}", "{:.1f}"])
    return [
        _file(
            folder,
            "minutes.csv",
            ["elapsed;height m;speed km/h", *[f"{w};{r.replace(',', ';')}" for w, r in zip(words, rows, strict=True)]],
        )
    ]


def _over_the_sea(folder: Path) -> list[Path]:
    c = columns(29)
    rows = _rows(
        [c["t"] * 1e6, c["height"] + 240.0, -c["along"], c["rate_1"], c["rate_2"], c["roll"]], ["{:.0f}"] + ["{:.3f}"] * 5
    )
    return [_file(folder, "sea.csv", ['"t_us","h ASL [m]","ax [m/s^2]","wx [rad/s]","wy [rad/s]","wz [rad/s]"', *rows])]


def _labeled(folder: Path) -> list[Path]:
    c = columns(30)
    rows = _rows([c["t"] * 1e3, c["pressure"], c["along"] / G], ["T:{:.0f}", "P:{:.0f}", "AZ:{:.3f}"])
    return [_file(folder, "labels.txt", ["boot ok", *rows])]


STRANGER = (
    Shape("words nobody knows, units in a second row, decimal comma, byte order mark", _own_words),
    Shape("milliseconds of 16 bits, begun again and again", _short_counter),
    Shape("comments among the rows, a separator at their end, feet and g", _trailing),
    Shape("time in the last column, units after a stroke", _time_last),
    Shape("two files, two separators, two encodings, two units of time", _two_clocks),
    Shape("units in the cells", _units_in_cells),
    Shape("time of day over midnight", _midnight, has_force=False),
    Shape("minutes and seconds", _minutes, has_force=False),
    Shape("height over the sea, quoted headings, one axis upside down", _over_the_sea),
    Shape("a label in each cell", _labeled),
)
