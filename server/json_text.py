"""JSON as the page and the recordings want it: compact, and a number that is none as a word."""

from __future__ import annotations

import json
from collections.abc import Mapping


def to_json(value: object) -> bytes:
    """Return compact JSON; a non-finite number, for which JSON has no form, becomes "nan", "inf" or "-inf".

    Rows have such numbers replaced long before; a note in a recording may hold one (JSON's 1e999 is infinite).
    """
    try:
        text = _dump(value)
    except ValueError:
        text = _dump(finite(value))
    return text.encode("utf-8", "replace")


def _dump(value: object) -> str:
    return json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def finite(value: object) -> object:
    """Return a JSON-able value with every non-finite number replaced by its word."""
    if isinstance(value, Mapping):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    if isinstance(value, float) and value - value != 0:
        return "nan" if value != value else "inf" if value > 0 else "-inf"
    return value
