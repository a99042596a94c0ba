"""Writing a session's tables as CSV: one file per packet type and computed table, a header with units."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from server.json_text import to_json
from server.review.review import Review
from server.telemetry.batch import Rows
from server.telemetry.tables import TableSpec

ROWS_PER_STEP = 20_000


def export_csv(review: Review, folder: Path, progress: Callable[[str], None]) -> list[Path]:
    """Write every table of `review` that has rows into `folder`; return the files. Raises OSError.

    The first columns are t (timeline seconds) and rx (session seconds). Values are in SI units, in full precision: Python
    reads them back to the same bits. Non-finite numbers are nan, inf, -inf; enums stand beside their numbers as texts.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, spec in review.specs.items():
        rows = review.output.rows.get(name)
        if rows is None or not len(rows):
            continue
        path = folder / f"{name}.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(_header(spec))
            for start in range(0, len(rows), ROWS_PER_STEP):
                writer.writerows(_lines(spec, rows, start, min(start + ROWS_PER_STEP, len(rows))))
                progress(f"{name}: {min(start + ROWS_PER_STEP, len(rows))} of {len(rows)} rows")
        written.append(path)
    return [*written, _export_journal(review, folder)]


def _export_journal(review: Review, folder: Path) -> Path:
    """Write everything that is not a row of numbers: events, commands, marks, alarms, moments."""
    path = folder / "journal.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["t [s]", "rx [s]", "topic", "key", "severity", "text", "details (JSON)"])
        for entry in review.output.entries:
            details = to_json(entry.body).decode()
            writer.writerow([entry.t, entry.rx_s, entry.topic, entry.key, entry.severity, entry.text, details])
    return path


def _header(spec: TableSpec) -> list[str]:
    header = ["t [s]", "rx [s]"]
    for channel in spec.columns:
        header.append(f"{channel.name} [{channel.unit}]" if channel.unit else channel.name)
        if channel.values:
            header.append(f"{channel.name} (text)")
    return header


def _lines(spec: TableSpec, rows: Rows, start: int, stop: int) -> list[tuple[object, ...]]:
    columns: list[list[object]] = [rows.t[start:stop].tolist(), rows.rx_s[start:stop].tolist()]
    for channel in spec.columns:
        if channel.kind == "text":
            columns.append(list(rows.texts(channel.name)[start:stop]))
            continue
        numbers: list[float] = rows.numbers(channel.name)[start:stop].tolist()
        columns.append(list(numbers))
        if channel.values:
            columns.append([channel.text_of(value) or "" for value in numbers])
    return list(zip(*columns, strict=True))
