"""CSV: every table, every row, every bit."""

from __future__ import annotations

import csv
import json
import math
import struct
from pathlib import Path

import numpy as np
import pytest

from protocol.vehicle import VehicleLink
from server.review.csv_export import ROWS_PER_STEP, export_csv
from server.review.review import Review, open_review
from tests.server.flights import KEY, Flight, dictionary, flown, recorded
from tests.traffic import mixed_frames


def exported(review: Review, folder: Path) -> dict[str, tuple[list[str], list[list[str]]]]:
    """Export and read back: (header, lines) by table."""
    out = {}
    for path in export_csv(review, folder, lambda _: None):
        with path.open(encoding="utf-8", newline="") as file:
            header, *lines = list(csv.reader(file))
        out[path.stem] = (header, lines)
    return out


def bits(values: object) -> list[bytes]:
    return [struct.pack("<d", float(value)) for value in values]


def review_of(tmp_path: Path, frames: list[bytes]) -> Review:
    return open_review(recorded(tmp_path, Flight(tuple((i * 0.02, frame) for i, frame in enumerate(frames)), {})))


def test_a_flight_comes_back_bit_for_bit(tmp_path: Path) -> None:
    review = open_review(recorded(tmp_path, flown("bad-number")))
    tables = exported(review, tmp_path / "made" / "here")
    header, lines = tables.pop("journal")
    assert header[2:4] == ["topic", "key"]
    told = [(line[2], line[5]) for line in lines]
    assert told == [(entry.topic, entry.text) for entry in review.output.entries]
    assert ("moment", "lift-off") in told and json.loads(lines[-1][6]) == dict(review.output.entries[-1].body)
    assert tables.keys() == {name for name, rows in review.output.rows.items() if len(rows)}
    for name, (header, lines) in tables.items():
        rows, spec = review.output.rows[name], review.specs[name]
        assert len(lines) == len(rows) and all(len(line) == len(header) for line in lines)
        by_name = dict(zip(header, zip(*lines, strict=True), strict=True))
        assert bits(by_name["t [s]"]) == bits(rows.t) and bits(by_name["rx [s]"]) == bits(rows.rx_s)
        for channel in spec.columns:
            title = f"{channel.name} [{channel.unit}]" if channel.unit else channel.name
            if channel.kind == "text":
                assert list(by_name[title]) == rows.columns[channel.name]
            else:
                read, there = np.array(by_name[title], dtype=float), rows.columns[channel.name]
                assert np.array_equal(read, there, equal_nan=True)
                finite = np.isfinite(there)
                assert bits(read[finite]) == bits(there[finite])


def test_what_is_no_number_has_a_word_and_minus_zero_its_sign(tmp_path: Path) -> None:
    link = VehicleLink(dictionary(), KEY, 1)
    zeros = {c.name: 0.0 for c in dictionary().packets["navigation"].channels}
    odd = [math.nan, math.inf, -math.inf, -0.0, 1.401298464324817e-45]
    frames = [link.frame("navigation", i * 50, {**zeros, "up": value}) for i, value in enumerate(odd)]
    header, lines = exported(review_of(tmp_path, frames), tmp_path)["navigation"]
    column = [line[header.index("up [m]")] for line in lines]
    assert column == ["nan", "inf", "-inf", "-0.0", "1.401298464324817e-45"]


def test_an_enum_stands_beside_its_number_and_an_unnamed_one_is_empty(tmp_path: Path) -> None:
    link = VehicleLink(dictionary(), KEY, 1)
    zeros = {c.name: 0.0 for c in dictionary().packets["control"].channels}
    frames = [link.frame("control", i * 100, {**zeros, "phase": phase}) for i, phase in enumerate([2, 3, 77])]
    header, lines = exported(review_of(tmp_path, frames), tmp_path)["control"]
    at = header.index("phase")
    assert header[at + 1] == "phase (text)"
    assert [line[at : at + 2] for line in lines] == [["2.0", "pad"], ["3.0", "boost"], ["77.0", ""]]


@pytest.mark.parametrize("text", ['a,"b"', "=1+1", "two\nlines", "δ ≥ 3", "", " spaced "])
def test_any_text_survives(tmp_path: Path, text: str) -> None:
    frame = VehicleLink(dictionary(), KEY, 1).frame("event", 0, {"severity": 0, "text": text})
    header, (line,) = exported(review_of(tmp_path, [frame]), tmp_path)["event"]
    assert line[header.index("text")] == text


def test_a_session_without_a_packet_has_a_journal_and_no_tables(tmp_path: Path) -> None:
    assert exported(review_of(tmp_path, [b"noise\0"]), tmp_path / "csv").keys() == {"journal"}
    assert (tmp_path / "csv").is_dir()


def test_long_tables_are_written_in_steps_with_progress_and_without_a_seam(tmp_path: Path) -> None:
    """More rows than one step of one table; every row once, in order."""
    count = ROWS_PER_STEP + 500
    link = VehicleLink(dictionary(), KEY, 1)
    values = {c.name: 0.0 for c in dictionary().packets["power"].channels}
    frames = [link.frame("power", i * 10, {**values, "charge_used": float(i)}) for i in range(count)]
    stream = b"".join(frames)
    review = open_review(recorded(tmp_path, Flight(((1.0, stream), (2.0, b"\0")), {})))
    said: list[str] = []
    export_csv(review, tmp_path, said.append)
    with (tmp_path / "power.csv").open(newline="") as file:
        charges = [float(line["charge_used [C]"]) for line in csv.DictReader(file)]
    assert charges == [float(i) for i in range(count)]
    assert [text for text in said if text.startswith("power")] == [
        f"power: {ROWS_PER_STEP} of {count} rows",
        f"power: {count} of {count} rows",
    ]


def test_a_folder_that_is_a_file_raises_what_the_command_line_catches(tmp_path: Path) -> None:
    review = review_of(tmp_path, mixed_frames(dictionary(), 5))
    (tmp_path / "taken").write_text("here already")
    with pytest.raises(OSError):
        export_csv(review, tmp_path / "taken", lambda _: None)
    assert (tmp_path / "taken").read_text() == "here already"
