"""Every type of field, the compiled library against the ground's own code, byte for byte, on random dictionaries.

Each dictionary is written out as C, compiled without a warning and given random packets, edges and what does not fit among
them, every second one with float members. The suite runs the short form. The long one, on three instruction sets
(`gcc-arm-linux-gnueabi`, `gcc-powerpc-linux-gnu` and `qemu-user` of the system):

    for target in here arm powerpc; do python -m tests.server.firmware.type_agreement --target $target; done
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.errors import DictionaryError
from protocol.wire_types import singled
from server.firmware.generator import write_firmware
from server.firmware.process_link import Program
from tests.protocol.all_types import random_dictionary
from tests.server.firmware.agreement import Pair, random_value
from tests.server.firmware.build import C99, LIBRARY, TARGETS, compiled

WERROR = ["gcc", "-Wall", "-Wextra", "-Werror", "-std=c99"]


def dictionaries(first: int, count: int) -> Iterator[Dictionary]:
    """Yield random dictionaries that can be read, from a seed on."""
    seed = first
    while count:
        try:
            dictionary = random_dictionary(seed)
        except DictionaryError as problem:
            assert "fit a frame" in str(problem), problem
        else:
            count -= 1
            yield dictionary
        seed += 1


def built(dictionary: Dictionary, folder: Path, target: str = "here", float_members: bool = False) -> Path:
    """Write and compile a dictionary's program; fails with what the compiler said."""
    write_firmware(dictionary, folder, float_members)
    command = [TARGETS[target].compiler, *C99[1:], "-O2", *TARGETS[target].flags]
    return compiled(command, folder, [*LIBRARY, "host/bh_host.c"], "program", ["-lm"])


def compare(dictionary: Dictionary, machine: Program, packets: int, seed: int, float_members: bool = False) -> int:
    """Encode random packets by both; returns how many values did not fit, by both. Fails at the first difference."""
    rng, pair = random.Random(seed), Pair(dictionary, machine)
    names = [name for name in dictionary.packets if name not in dictionary.wires_own]
    for number in range(packets):
        packet = dictionary.packets[rng.choice(names)]
        values = {c.name: random_value(c, packet.fields[c.field_index].type, rng) for c in packet.channels}
        if float_members:
            values |= {c.name: singled(float(values[c.name])) for c in packet.channels if c.linear}
        one, other = (link.frame(packet.name, number, values) for link in (pair.python, pair.c))
        assert one == other, (packet.name, values, one.hex(), other.hex())
    assert pair.python.refused == pair.c.refused
    return pair.python.refused


def main() -> int:
    """Run the long form and print what was compared."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packets", type=int, default=1_000_000)
    parser.add_argument("--dictionaries", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", choices=TARGETS, default="here")
    options = parser.parse_args()
    begun, unfit, each = time.perf_counter(), 0, -(-options.packets // options.dictionaries)
    for number, dictionary in enumerate(dictionaries(1000 * options.seed, options.dictionaries)):
        with tempfile.TemporaryDirectory() as name:
            folder, floats = Path(name) / "firmware", number % 2 == 1
            with Program(built(dictionary, folder, options.target, floats), TARGETS[options.target].runner) as machine:
                unfit += compare(dictionary, machine, each, options.seed, floats)
    said = f"{each * options.dictionaries} packets over {options.dictionaries} dictionaries, {unfit} values that did not fit"
    print(f"{options.target}: {said}, no difference, {time.perf_counter() - begun:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
