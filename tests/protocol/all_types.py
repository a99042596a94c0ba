"""A dictionary with every type a field can have, and random ones that use all of them; wire version 2."""

from __future__ import annotations

import random

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.wire_types import BITS_TYPES, BOOL, FLOAT_TYPES, NUMBER_TYPES, bits_of
from tests.protocol.helpers import HEAD

WIRE_2 = HEAD.replace("format = 1\n", "format = 1\nwire = 2\n")
UPLINK = "[uplink]\nvehicle_id = 1001\n"
ANSWER = """
[packet.answer]
apid = 2000
fields = [
  { name = "boot_id", type = "u32" }, { name = "counter", type = "u32" }, { name = "code", type = "u8" },
  { name = "stage", type = "u8", values = ["accepted", "refused", "completed", "failed"] },
  { name = "reason", type = "u8", values = ["none", "out of range", "old counter", "other boot", "unknown command",
    "other dictionary", "too late", "not stored"] },
]
"""
TYPES_TEXT = f"""{WIRE_2}
[packet.types]
apid = 1
fields = [
  {{ name = "a_u24", type = "u24" }},
  {{ name = "a_i24", type = "i24le", scale = 0.5 }},
  {{ name = "a_u64", type = "u64" }},
  {{ name = "a_i64", type = "i64le" }},
  {{ name = "a_f16", type = "f16" }},
  {{ name = "a_f32", type = "f32le" }},
  {{ name = "a_f64", type = "f64le" }},
  {{ name = "a_bool", type = "bool", values = ["off", "on"] }},
  {{ name = "a_u16", type = "u16le", scale = 0.1, offset = -40 }},
  {{ name = "raw", type = "bytes4" }},
  {{ name = "accel", type = "i16[3]", elements = ["x", "y", "z"], scale = 0.01, unit = "m/s2", role = "accel.a.{{}}" }},
  {{ name = "thermistor", type = "u8[4]", unit = "K", offset = 200, description = "Thermistor {{}}", label = "T{{}}" }},
  {{ name = "word", type = "bits16le", bits = [
    {{ name = "signed", bit = 0, width = 5, signed = true }},
    {{ name = "scaled", bit = 5, width = 8, signed = true, scale = 0.25, offset = 1 }},
    {{ name = "flag", bit = 15 }} ] }},
  {{ name = "state", type = "u8", values = {{ 0 = "idle", 3 = "armed", 17 = "failed" }} }},
]
{UPLINK}"""
TYPES = parse_dictionary(TYPES_TEXT)


def _enum(rng: random.Random) -> str:
    if rng.random() < 0.5:
        numbers = sorted(rng.sample(range(200), rng.randrange(1, 5)))
        return "{ " + ", ".join(f'{number} = "word {number}"' for number in numbers) + " }"
    return '["a", "b-c", "*/", "d e"]'


def _scaling(rng: random.Random) -> str:
    out = rng.choice(["", f", scale = {rng.choice([0.01, -0.5, 3, 1e-7, 2.5e6])}"])
    return out + rng.choice(["", "", f", offset = {rng.choice([-40, 273.15, 1e5])}"])


def _groups(rng: random.Random, type_: str, name: str) -> str:
    bit, groups = 0, []
    while bit < bits_of(type_):
        width = rng.choice([1, 1, 2, 3, 7, 8, 9, 16, bits_of(type_)])
        width = min(width, bits_of(type_) - bit)
        text = f'name = "{name}_{bit}", bit = {bit}'
        if width > 1:
            text += f", width = {width}"
            if rng.random() < 0.2:
                text += f", values = {_enum(rng)}"
            else:
                text += rng.choice(["", ", signed = true"]) + _scaling(rng)
        groups.append("{ " + text + " }")
        bit += width + rng.choice([0, 0, 1, 3])
    return "bits = [ " + ", ".join(groups) + " ]"


def random_field(rng: random.Random, name: str) -> str:
    """Return the text of one field of any type."""
    kind = rng.random()
    if kind < 0.15:
        type_ = rng.choice(BITS_TYPES)
        return f'{{ name = "{name}", type = "{type_}", {_groups(rng, type_, name)} }}'
    if kind < 0.25:
        return f'{{ name = "{name}", type = "{rng.choice(["text", "bytes"])}{rng.randrange(1, 12)}" }}'
    type_ = rng.choice([*NUMBER_TYPES, BOOL])
    array = f"[{rng.randrange(1, 5)}]" if rng.random() < 0.25 else ""
    more = "" if type_ in FLOAT_TYPES or type_ == BOOL else _scaling(rng)
    if type_ not in FLOAT_TYPES and not more and rng.random() < 0.3:
        more = f", values = {_enum(rng)}"
    return f'{{ name = "{name}", type = "{type_}{array}"{more} }}'


NAMES = "a b int double accel t_1 size_t linux bh_x class time raw yes err value count end x0 reg any none main bool".split()


def random_text(seed: int, packets: int = 3) -> str:
    """Return the text of a dictionary with packets of random fields."""
    rng = random.Random(seed)
    out = [WIRE_2]
    for number in range(packets):
        names = rng.sample(NAMES, rng.randrange(1, 9))
        fields = ",\n  ".join(random_field(rng, name) for name in names)
        out.append(f"[packet.{rng.choice(NAMES)}_{number}]\napid = {number + 1}\nfields = [\n  {fields},\n]\n")
    return "\n".join([*out, ANSWER, UPLINK])


def random_dictionary(seed: int, packets: int = 3) -> Dictionary:
    """Return the dictionary of `random_text`; raises DictionaryError where it is too long for a frame."""
    return parse_dictionary(random_text(seed, packets), f"random-{seed}.toml")
