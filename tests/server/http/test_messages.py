"""What is sent to the page: always JSON, and binary columns that read back bit for bit."""

from __future__ import annotations

import json
import math
import re
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.http.messages import DESK_REQUESTS, dictionary_shape, hello, update
from server.json_text import finite, to_json
from server.live.store import LiveStore
from server.telemetry.columns import MAGIC, columns_payload
from server.telemetry.tables import table_specs
from tests.protocol.helpers import SMALL
from tests.server.flights import dictionary
from tests.server.live.test_store import SPEC, entry, rows


def strict(text: bytes | str) -> object:
    """Parse as a browser does: NaN and Infinity are errors."""

    def refuse(name: str) -> object:
        raise AssertionError(f"{name} is not JSON")

    return json.loads(text, parse_constant=refuse)


def parse_columns(body: bytes) -> tuple[dict, dict[str, np.ndarray]]:
    """Read the binary columns by their description alone; return (header, table -> matrix of columns)."""
    assert body[:4] == b"BHC1"
    (size,) = struct.unpack("<I", body[4:8])
    header = strict(body[8 : 8 + size])
    assert (8 + size) % 8 == 0, "a Float64Array needs its place"
    at, tables = 8 + size, {}
    for table in header["tables"]:
        count = table["rows"] * len(table["columns"])
        block = np.frombuffer(body, dtype="<f8", count=count, offset=at)
        tables[table["name"]] = block.reshape(len(table["columns"]), table["rows"])
        at += 8 * count
    assert at == len(body)
    return header, tables


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(exclude_categories=())),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    )
)
def test_anything_becomes_json_a_browser_reads(value: object) -> None:
    strict(to_json(value))


def test_words_for_what_json_has_no_form_for() -> None:
    assert strict(to_json({"a": [math.nan, (math.inf, -math.inf)], "b": 1.5})) == {"a": ["nan", ["inf", "-inf"]], "b": 1.5}
    assert finite({"deep": {"n": math.nan}, "t": True, "s": "nan"}) == {"deep": {"n": "nan"}, "t": True, "s": "nan"}


def test_columns_read_back_to_the_same_bits() -> None:
    odd = np.array([0.1, -0.0, 5e-324, 1.7e308, math.nan, math.inf, -math.inf, 2**53 + 1.0])
    matrix = np.column_stack([np.arange(8.0), np.arange(8.0) + 100, *[np.roll(odd, i) for i in range(len(SPEC.numeric))]])
    specs = table_specs(SMALL)
    empty = np.zeros((0, 2 + len(specs["beat"].numeric)))
    texts = {"note": ["", "é", "<script>", "\ud800", "a\0b", "x", "y", "z"]}
    body = columns_payload("name", [(SPEC, 40, matrix, texts), (specs["beat"], 0, empty, {})], [])
    header, tables = parse_columns(body)
    assert np.array_equal(tables["all"].T, matrix, equal_nan=True)
    assert np.array_equal(np.signbit(tables["all"].T), np.signbit(matrix))
    assert header["tables"][0]["first"] == 40 and tables["beat"].shape == (2 + len(specs["beat"].numeric), 0)
    assert header["texts"]["all"]["note"][:3] == ["", "é", "<script>"]
    assert (header["t_range"], header["rx_range"]) == ([0.0, 7.0], [100.0, 107.0])


def test_columns_of_nothing() -> None:
    header, tables = parse_columns(columns_payload("n", [], [{"i": 0, "body": {"x": math.inf}}]))
    assert tables == {} and header["t_range"] == [0.0, 0.0]
    assert header["journal"][0]["body"]["x"] == "inf"
    assert MAGIC == b"BHC1"


def test_update_holds_only_what_is_new() -> None:
    store = LiveStore(table_specs(SMALL))
    store.add({"all": rows(0, 5, a_f32=math.nan)}, [entry(0), entry(1)])
    first = hello("s", "live", 1.0, 2.0, store)
    store.add({"all": rows(5, 8)}, [entry(2)])
    new = strict(to_json(update(store, first["cursor"], first["journal_next"], 3.0, 4.0, 100)))
    assert (new["from"], [row[0] for row in new["rows"]["all"]]) == ({"all": 5}, [0.5, 0.6, 0.7])
    assert [e["i"] for e in new["journal"]] == [2]
    old = strict(to_json(update(store, {}, 0, 3.0, 4.0, 4)))
    assert old["from"] == {"all": 4} and len(old["rows"]["all"]) == 4


def test_the_dictionary_shape_names_every_column_command_and_role() -> None:
    shape = strict(to_json(dictionary_shape(dictionary(), True, {"name": "Mossbank Field"}, None)))
    columns = {c["channel"]: c for table in shape["tables"] for c in table["columns"]}
    for packet in dictionary().packets.values():
        for channel in packet.channels:
            assert columns[channel.path]["role"] == channel.role
            assert columns[channel.path]["unit"] == channel.unit
    assert {c["name"] for c in shape["commands"]} == set(dictionary().commands)
    assert [c["name"] for c in shape["commands"] if c["safes_all"]] == ["safe_all"]
    assert {c["name"]: c["blind"] for c in shape["commands"] if c["blind"]} == {"safe_all": "every 0.8 s until it answers"}
    assert shape["simulated"] is True and re.fullmatch("[0-9a-f]{8}", shape["hash"])
    assert shape["modem_b_s"] == dictionary().modem_baud / 10, "a serial byte is ten bits"


SENT = ("hello", "update", "beat", "reply", "signed_in", "authority")


@pytest.mark.parametrize("name", [*SENT, *DESK_REQUESTS])
def test_the_page_knows_every_name(name: str) -> None:
    """What the station sends is looked at somewhere in the page, what it takes is sent from somewhere."""
    page = Path(__file__).resolve().parents[3] / "web"
    texts = [path.read_text("utf-8") for path in page.rglob("*.js")]
    assert any(re.search(rf'\btype(:| ===) "{name}"', text) for text in texts)
