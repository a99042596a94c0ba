"""A recording opened: computed from the file alone, refused in one sentence, and the page's columns equal to the rows."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest

from protocol.vehicle import VehicleLink
from server.analysis.pipeline import recorded_output
from server.http.messages import recorded_shape
from server.recording.segment import base_name
from server.recording.session_file import SessionError
from server.review.review import open_review, rows_matrix
from server.telemetry.tables import table_specs
from tests.server.analysis.test_pipeline import assert_same
from tests.server.flights import FACTS, KEY, Flight, dictionary, flown, recorded

EVENT = VehicleLink(dictionary(), KEY, 1).frame("event", 0, {"severity": 1, "text": "δ <b>\u2028"})
SHORT = Flight(((0.5, EVENT),), {})


def parse_columns(payload: bytes) -> tuple[dict, dict[str, dict[str, np.ndarray]]]:
    """Read the binary columns as the page does: by the layout in server.http.messages, with nothing of its code."""
    assert payload[:4] == b"BHC1"
    (length,) = struct.unpack_from("<I", payload, 4)
    header = json.loads(payload[8 : 8 + length])
    offset, tables = 8 + length, {}
    assert offset % 8 == 0, "a Float64Array needs its offset to be a multiple of 8"
    for table in header["tables"]:
        tables[table["name"]] = columns = {}
        for name in table["columns"]:
            columns[name] = np.frombuffer(payload, "<f8", table["rows"], offset)
            offset += 8 * table["rows"]
    assert offset == len(payload)
    return header, tables


def test_everything_shown_is_the_pipelines_output_of_the_recorded_bytes(tmp_path: Path) -> None:
    flight = flown("thin-link")
    review = open_review(recorded(tmp_path, flight))
    origin_ns = review.session.header.origin_monotonic_ns
    again = recorded_output(dictionary(), list(review.session.records), origin_ns, FACTS)
    assert_same(review.output, again)
    assert review.name == "flight"
    # From the twin's bytes alone, past the file: the same rows.
    direct = recorded_output(dictionary(), flight.records(origin_ns), origin_ns, FACTS)
    assert_same(type(direct)(review.output.rows), type(direct)(direct.rows))


def test_columns_are_the_rows_bit_for_bit(tmp_path: Path) -> None:
    review = open_review(recorded(tmp_path, flown("bad-number")))
    header, tables = parse_columns(review.columns())
    assert list(tables) == list(review.specs)
    for name, spec in review.specs.items():
        rows = review.output.rows.get(name)
        if rows is None:
            assert all(len(column) == 0 for column in tables[name].values())
            continue
        assert tables[name]["t"].tobytes() == rows.t.tobytes() and tables[name]["rx"].tobytes() == rows.rx_s.tobytes()
        for column in spec.numeric:
            assert tables[name][column].tobytes() == rows.columns[column].tobytes(), (name, column)
    assert np.isnan(tables["navigation"]["q_w"]).sum() + np.isinf(tables["navigation"]["q_w"]).sum() <= 1
    assert header["texts"]["event"]["text"] == review.output.rows["event"].columns["text"]
    assert [entry["i"] for entry in header["journal"]] == list(range(len(review.output.entries)))
    t_all = np.concatenate([columns["t"] for columns in tables.values()])
    assert header["t_range"] == [t_all.min(), t_all.max()]


def test_a_session_without_a_packet_has_columns_too(tmp_path: Path) -> None:
    header, tables = parse_columns(open_review(recorded(tmp_path, Flight(((1.0, b"noise\0"),), {}))).columns())
    assert all(len(column) == 0 for columns in tables.values() for column in columns.values())
    assert (header["t_range"], header["rx_range"]) == ([0.0, 0.0], [0.0, 0.0])


def test_text_of_any_kind_comes_through(tmp_path: Path) -> None:
    header, _ = parse_columns(open_review(recorded(tmp_path, SHORT)).columns())
    assert header["texts"]["event"]["text"] == ["δ <b>\u2028"]


def test_a_matrix_has_time_and_arrival_first() -> None:
    spec = table_specs(dictionary())["event"]
    assert rows_matrix(spec, None).shape == (0, 2 + len(spec.numeric))
    rows = recorded_output(dictionary(), SHORT.records(), 0).rows["event"]
    assert rows_matrix(spec, rows).tolist() == [[0.0, 0.5, 1.0]]


def test_the_sheets_temperature_decides_the_height(tmp_path: Path) -> None:
    """1 K of pad temperature is 0.35 % of height (tests/SOURCES.md, pad-temperature)."""
    heights = []
    for kelvin in (281.0, 291.0):
        path = recorded(tmp_path / str(kelvin), flown("calm"), site={"temperature_k": kelvin})
        heights.append(open_review(path).output.rows["ground_vertical"].columns["height_raw"].max())
    assert heights[1] / heights[0] == pytest.approx(291 / 281, abs=1e-4)


@pytest.mark.parametrize("name", ["flight.pcapng", "flight~2.pcapng", "flight~17.pcapng"])
def test_all_parts_have_one_name(name: str) -> None:
    assert base_name(Path("somewhere") / name) == "flight"


@pytest.mark.parametrize(
    ("dictionary_text", "words"),
    [(None, "holds no dictionary"), (7, "holds no dictionary"), ("[x", "dictionary that cannot be used")],
)
def test_a_dictionary_that_cannot_be_used_is_one_sentence(tmp_path: Path, dictionary_text: object, words: str) -> None:
    path = recorded(tmp_path, SHORT, "odd", dictionary=dictionary_text)
    with pytest.raises(SessionError, match=words) as caught:
        open_review(path)
    assert "odd.pcapng" in str(caught.value)


def test_its_own_dictionary_is_used_not_the_installed_one(tmp_path: Path) -> None:
    """Fault 45: a running or recorded session keeps its own copy."""
    text = dictionary().text.replace('vehicle = "Sandpiper"', 'vehicle = "Wren"', 1)
    text = text.replace("[packet.event]", "[packet.saying]", 1)
    review = open_review(recorded(tmp_path, SHORT, dictionary=text))
    assert review.dictionary.vehicle == "Wren" and len(review.output.rows["saying"]) == 1
    assert "event" not in review.specs and recorded_shape(review)["vehicle"] == "Wren"


def test_the_shape_says_whether_it_was_simulated(tmp_path: Path) -> None:
    demo = recorded_shape(open_review(recorded(tmp_path, SHORT, "demo")))
    assert (demo["simulated"], demo["sheet"]["name"], demo["site"]["name"]) == (True, "Sandpiper", "Mossbank Field")
    real = recorded_shape(open_review(recorded(tmp_path, SHORT, "real", vehicle={"name": "Wren"}, site={})))
    assert (real["simulated"], real["sheet"], real["site"]) == (False, {"name": "Wren"}, None)
    json.dumps(demo)


@pytest.mark.parametrize("sheet", [None, 3, "text", ["a"], True, [["a", 1]]])
def test_sheets_of_any_shape_are_shown_or_left_out(tmp_path: Path, sheet: object) -> None:
    """Fault 44: a crafted file."""
    shape = recorded_shape(open_review(recorded(tmp_path, SHORT, "odd", vehicle=sheet, site=sheet)))
    assert shape["simulated"] is False
    json.dumps(shape)
