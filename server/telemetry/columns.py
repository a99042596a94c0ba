"""The binary columns of a session: what the page reads a recording from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from struct import pack

import numpy as np

from protocol.arrays import Floats
from server.json_text import to_json
from server.telemetry.tables import TableSpec

MAGIC = b"BHC1"

PLACE_COLUMNS = ("t", "rx")


def columns_payload(
    session: str,
    tables: Iterable[tuple[TableSpec, int, Floats, Mapping[str, list[str]]]],
    journal: Sequence[Mapping[str, object]],
) -> bytes:
    """Return the binary columns of a session.

    `tables` gives (spec, number of the first row, matrix of shape (rows, 2 + numeric columns) with t and rx first,
    text columns). Layout: "BHC1", uint32 LE length of a JSON header padded to a multiple of 8 with the first 8 bytes,
    then float64 LE columns one after another in the header's order.
    """
    described, texts, blocks = [], {}, []
    t_all: list[float] = []
    rx_all: list[float] = []
    for spec, first, matrix, text_columns in tables:
        described.append(
            {"name": spec.name, "rows": len(matrix), "first": first, "columns": [*PLACE_COLUMNS, *spec.numeric]}
        )
        if spec.texts:
            texts[spec.name] = dict(text_columns)
        blocks.append(np.ascontiguousarray(matrix.T, dtype="<f8").tobytes())
        if len(matrix):
            t_all += [float(matrix[:, 0].min()), float(matrix[:, 0].max())]
            rx_all += [float(matrix[:, 1].min()), float(matrix[:, 1].max())]
    header = to_json(
        {
            "session": session,
            "tables": described,
            "texts": texts,
            "journal": journal,
            "t_range": [min(t_all), max(t_all)] if t_all else [0.0, 0.0],
            "rx_range": [min(rx_all), max(rx_all)] if rx_all else [0.0, 0.0],
        }
    )
    header += b" " * (-(8 + len(header)) % 8)
    return b"".join([MAGIC, pack("<I", len(header)), header, *blocks])
