"""Stimuli of random dictionaries as the ground encodes them against what the compiled library reads, value for value.

Every number type, both byte orders, scaled and plain, groups of bits signed and scaled, texts excepted: no sensor gives any.
The suite runs the short form. The long one, here, on soft-float Arm and on big-endian PowerPC (system packages as for
`agreement`):

    python -m tests.server.firmware.rehearsal_agreement --dictionaries 40 --stimuli 2000
"""

from __future__ import annotations

import argparse
import math
import random
import struct
import sys
import tempfile
import time
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.stimulus import open_stimulus
from protocol.wire_types import BOOL, FLOAT_TYPES, INTEGER_RANGES, NUMBER_TYPES, bits_of, singled
from server.firmware.generator import write_firmware
from server.firmware.process_link import Program
from tests.protocol.tables.rehearsed import rehearsed, stimulus
from tests.server.firmware.agreement import random_value
from tests.server.firmware.build import C99, LIBRARY, REHEARSAL, SANITIZED, TARGETS, compiled
from tests.server.firmware.rehearsal_bench import Bench, Played

BITS = ("bits8", "bits16", "bits32", "bits16le", "bits32le")
SCALES = (0.01, 1e-7, 0.1, -0.5, 3.0, 1e6)
OFFSETS = (0.0, 273.15, -40.0, 1e-3)


def random_stimuli(seed: int) -> Dictionary:
    """Return a dictionary with some stimuli; over seeds every type comes, plain and scaled."""
    rng, places = random.Random(seed), iter(range(10_000))
    types = [*NUMBER_TYPES, BOOL, *BITS]
    first = types[seed % len(types) :] + types[: seed % len(types)]
    texts = []
    for apid, name in enumerate(["sensors", "second", "third"][: rng.randint(1, 3)], 1):
        chosen = first[: rng.randint(6, 14)] if apid == 1 else rng.choices(types, k=rng.randint(1, 14))
        fields = ", ".join(_field(type_, rng, next(places)) for type_ in chosen)
        texts.append(stimulus(fields, name, apid))
    return parse_dictionary(rehearsed().replace(stimulus(), "".join(texts)))


def _field(type_: str, rng: random.Random, place: int) -> str:
    scaled = f", scale = {rng.choice(SCALES)}, offset = {rng.choice(OFFSETS)}"
    role = f'role = "rail[{place}].current"'
    if type_ in BITS:
        groups, bit, size = [], 0, bits_of(type_)
        while bit < size:
            width = rng.randint(1, min(size - bit, 20))
            more = (", signed = true" * rng.randrange(2) + scaled * rng.randrange(2)) if width > 1 else ""
            groups.append(
                f'{{ name = "g{place}_{bit}", bit = {bit}, width = {width}, role = "rail[{place}_{bit}].current"{more} }}'
            )
            bit += width + rng.randrange(3)
        return f'{{ name = "f{place}", type = "{type_}", bits = [ {", ".join(groups)} ] }}'
    linear = scaled if type_ in INTEGER_RANGES and type_ != BOOL and rng.random() < 0.5 else ""
    return f'{{ name = "f{place}", type = "{type_}", {role}{linear} }}'


def built(dictionary: Dictionary, folder: Path, target: str = "here", floats: bool = False, sanitized: bool = False) -> Path:
    """Write and compile a dictionary's program for rehearsal; fails with what the compiler said."""
    write_firmware(dictionary, folder, floats)
    flags = SANITIZED if sanitized else ["-O2"]
    command = [TARGETS[target].compiler, *C99[1:], REHEARSAL, *flags, *TARGETS[target].flags]
    return compiled(command, folder, [*LIBRARY, "host/bh_host.c"], "program", ["-lm"])


def compare(dictionary: Dictionary, machine: Program, stimuli: int, seed: int, floats: bool = False) -> int:
    """Play random stimuli; returns how many values were compared. Fails at the first difference."""
    rng, bench, compared = random.Random(seed), Bench(machine, dictionary), 0
    bench.enter()
    packets = sorted(dictionary.stimuli.values(), key=lambda packet: packet.apid)
    assert bench.encoder is not None
    for _ in range(stimuli):
        which = rng.randrange(len(packets))
        packet, time_us = packets[which], rng.randrange(2**32)
        drawn = [random_value(c, packet.fields[c.field_index].type, rng) for c in packet.channels]
        frame = bench.encoder.frame(packet.name, time_us, [float(str(value)) for value in drawn])
        wanted = open_stimulus(dictionary, frame[1:-1])
        (got,) = bench.hear(frame)
        assert isinstance(got, Played) and not isinstance(wanted, str), (packet.name, drawn, got, wanted)
        assert (got.which, got.time_us) == (which, time_us) and got.step == (packet.name == "sensors")
        for channel, told, value in zip(packet.channels, got.values, wanted.values, strict=True):
            narrow = floats and channel.linear and packet.fields[channel.field_index].type not in FLOAT_TYPES
            right = singled(float(value)) if narrow else float(value)
            same = struct.pack(">d", told) == struct.pack(">d", right) or (math.isnan(told) and math.isnan(right))
            assert same, (packet.name, channel.name, told, right, drawn)
            compared += 1
    return compared


def main() -> int:
    """Run the long form and print what was compared."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--dictionaries", type=int, default=40)
    parser.add_argument("--stimuli", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for target, kind in TARGETS.items():
        began, compared, types = time.monotonic(), 0, set()
        for number in range(options.dictionaries):
            dictionary = random_stimuli(options.seed + number)
            types |= {item.type for packet in dictionary.stimuli.values() for item in packet.fields}
            with tempfile.TemporaryDirectory() as name:
                path = built(dictionary, Path(name) / "firmware", target, number % 2 == 1)
                with Program(path, kind.runner) as machine:
                    compared += compare(dictionary, machine, options.stimuli, number, number % 2 == 1)
        took = time.monotonic() - began
        said = f"{options.dictionaries} dictionaries, {len(types)} types, {options.dictionaries * options.stimuli} stimuli"
        print(f"{target}: {said}, {compared} values, all equal, {took:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
