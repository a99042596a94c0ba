"""Parquet: every table, every row, every bit; and a plain sentence where pyarrow is not installed."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as parquet
import pytest

from server.review.parquet_export import NoParquet, export_parquet
from server.review.review import open_review
from tests.server.flights import flown, recorded


def test_a_flight_comes_back_bit_for_bit(tmp_path: Path) -> None:
    review = open_review(recorded(tmp_path, flown("bad-number")))
    said: list[str] = []
    tables = {
        path.stem: parquet.read_table(path) for path in export_parquet(review, tmp_path / "made" / "here", said.append)
    }
    journal = tables.pop("journal")
    assert journal["text"].to_pylist() == [entry.text for entry in review.output.entries]
    assert json.loads(journal["details_json"][-1].as_py()) == dict(review.output.entries[-1].body)
    assert tables.keys() == {name for name, rows in review.output.rows.items() if len(rows)} and len(said) == len(tables)
    nonfinite = 0
    for name, table in tables.items():
        rows = review.output.rows[name]
        assert np.array_equal(table["t"].to_numpy(), rows.t) and np.array_equal(table["rx"].to_numpy(), rows.rx_s)
        for channel in review.specs[name].columns:
            read = table[channel.name]
            assert read.null_count == 0
            if channel.kind == "text":
                assert read.to_pylist() == rows.columns[channel.name]
                continue
            assert read.to_numpy().tobytes() == np.ascontiguousarray(rows.columns[channel.name]).tobytes(), channel.path
            nonfinite += int(np.sum(~np.isfinite(read.to_numpy())))
            assert table.schema.field(channel.name).metadata.get(b"unit", b"").decode() == channel.unit
    assert nonfinite > 0, "not a number is not nothing"
    assert set(tables["control"]["phase_text"].to_pylist()) >= {"pad", "boost", "landed"}


def test_without_pyarrow_it_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    review = open_review(recorded(tmp_path, flown("bad-number")))
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(NoParquet, match="needs the package pyarrow"):
        export_parquet(review, tmp_path / "out", lambda _: None)
    assert not (tmp_path / "out").exists()
