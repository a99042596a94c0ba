"""The tests' dictionaries on wire version 2, which alone the firmware speaks: made from their texts of version 1."""

from __future__ import annotations

import re

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary

VEHICLE_ID = 1001  # invented
REASONS = '"other dictionary", "too late", "not stored"'
MOVES = (
    (r"^format = 1$", "format = 1\nwire = 2"),
    (r"^\[uplink\]\napid = \d+$", f"[uplink]\nvehicle_id = {VEHICLE_ID}"),
    (r'^  \{ name = "boot_id", +type = "u16", role = "boot_id", .*\n', ""),
    (r'^  \{ name = "(?:boot_id|dictionary_hash)", .*role = "startup\.\w+", description.*\n', ""),
    (r'(?<=name = "boot_id", type = )"u16"(?!, role = "startup)', '"u32"'),
    (r', role = "(?:startup\.)?boot_id"', ""),
    (r'("unknown command".*?)\](?=[,\s])', rf"\1, {REASONS}]"),
    (r"^(\[command\.safe_all\]\n)code = .*\n", r"\1"),
    (r'^  \{ role = "recovery\[\*\]\.armed", equals = 0, only_if = "on_ground" \},\n', ""),
)


def wire2_text(text: str) -> str:
    """Return the text of a dictionary on wire version 2; one that is there already stays as it is."""
    if re.search(r"^wire *= *2$", text, re.M):
        return text
    for old, new in MOVES:
        text = re.sub(old, new, text, flags=re.M)
    return text if "[uplink]" in text else f"{text}\n[uplink]\nvehicle_id = {VEHICLE_ID}\n"


def on_wire_2(text: str, file: str = "dictionary") -> Dictionary:
    """Return the dictionary of such a text."""
    return parse_dictionary(wire2_text(text), file)
