"""Which framing other than our own a vehicle speaks."""

from __future__ import annotations

from protocol.dictionary import Dictionary
from protocol.foreign.binary_records import BinaryRecords
from protocol.foreign.foreign_framing import ForeignFraming
from protocol.foreign.json_lines import JsonLines
from protocol.foreign.stuffed_records import StuffedRecords
from protocol.foreign.text_lines import TextLines


def foreign_framing(dictionary: Dictionary) -> ForeignFraming | None:
    """Return a fresh framing for a dictionary, or None for our own wire."""
    rules = dictionary.framing
    if rules is None:
        return None
    if rules.kind == "text":
        return TextLines(rules, dictionary.packets)
    if rules.kind == "json":
        return JsonLines(rules, dictionary.packets)
    return (BinaryRecords if rules.stuffing == "none" else StuffedRecords)(rules, dictionary.packets)
