"""A session's tables as Parquet files, one per table, with units; needs pyarrow, which comes with the extra "parquet".

The columns are those of the CSV export: t and rx, then every channel as float64, enums with their texts beside them, and
the journal. Each column's unit, role and description are in the metadata of its field.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from types import ModuleType

from server.json_text import to_json
from server.problems import Problem
from server.review.review import Review
from server.telemetry.tables import TableSpec


class NoParquet(Problem):
    """Parquet cannot be written here; the text is one plain sentence."""


def export_parquet(review: Review, folder: Path, progress: Callable[[str], None]) -> list[Path]:
    """Write every table of `review` that has rows into `folder`; return the files. Raises NoParquet or OSError."""
    arrow, parquet = _arrow()
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, spec in review.specs.items():
        rows = review.output.rows.get(name)
        if rows is None or not len(rows):
            continue
        fields = [_field(arrow, "t", arrow.float64(), "s"), _field(arrow, "rx", arrow.float64(), "s")]
        columns: list[object] = [rows.t, rows.rx_s]
        for channel in spec.columns:
            values = rows.columns[channel.name]
            kind = arrow.string() if channel.kind == "text" else arrow.float64()
            fields.append(_field(arrow, channel.name, kind, channel.unit, channel.role, channel.description))
            columns.append(values)
            if channel.values:
                fields.append(_field(arrow, f"{channel.name}_text", arrow.string(), ""))
                columns.append([channel.text_of(value) for value in rows.numbers(channel.name).tolist()])
        path = folder / f"{name}.parquet"
        _write(arrow, parquet, path, fields, columns, _about(review, spec))
        progress(f"{name}: {len(rows)} rows")
        written.append(path)
    return [*written, _journal(arrow, parquet, review, folder)]


def _arrow() -> tuple[ModuleType, ModuleType]:
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError as error:
        raise NoParquet(
            "Parquet needs the package pyarrow, which is not installed; "
            'install Blockhouse with its extra: pip install ".[parquet]".'
        ) from error


def _field(arrow: ModuleType, name: str, kind: object, unit: str, role: str | None = None, description: str = "") -> object:
    told = {"unit": unit, "role": role or "", "description": description}
    return arrow.field(name, kind, metadata={key: value for key, value in told.items() if value})


def _about(review: Review, spec: TableSpec) -> dict[str, str]:
    return {"session": review.name, "vehicle": review.dictionary.vehicle, "table": spec.title}


def _write(
    arrow: ModuleType, parquet: ModuleType, path: Path, fields: list[object], columns: list[object], about: dict[str, str]
) -> None:
    schema = arrow.schema(fields, metadata=about)
    arrays = [arrow.array(column, type=field.type, from_pandas=False) for column, field in zip(columns, schema, strict=True)]
    parquet.write_table(arrow.Table.from_arrays(arrays, schema=schema), path)


def _journal(arrow: ModuleType, parquet: ModuleType, review: Review, folder: Path) -> Path:
    path = folder / "journal.parquet"
    entries = review.output.entries
    text = arrow.string()
    fields = [_field(arrow, "t", arrow.float64(), "s"), _field(arrow, "rx", arrow.float64(), "s")]
    fields += [_field(arrow, name, text, "") for name in ("topic", "key", "severity", "text", "details_json")]
    columns: list[object] = [[entry.t for entry in entries], [entry.rx_s for entry in entries]]
    columns += [[_utf8(getattr(entry, name)) for entry in entries] for name in ("topic", "key", "severity", "text")]
    columns.append([to_json(entry.body).decode() for entry in entries])
    _write(arrow, parquet, path, fields, columns, {"session": review.name, "table": "journal"})
    return path


def _utf8(text: str) -> str:
    return text.encode("utf-8", "replace").decode()
