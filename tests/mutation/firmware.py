"""Single faults put into the C library, one at a time; each must be noticed: `python -m tests.mutation.firmware`.

A fault is noticed when the comparison with the ground's own code fails, a vector is missed, or the compiler or a sanitizer
objects. Prints one line per fault and ends with 1 when one lives.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from server.firmware.generator import write_firmware
from server.firmware.process_link import EncoderProblem, Program
from tests.server.firmware import agreement
from tests.server.firmware.build import C99, DICTIONARIES, LIBRARY, SANITIZED

PACKETS, COMMANDS = 400, 900


@dataclass(frozen=True)
class Fault:
    """One change of one file of the library."""

    name: str
    file: str
    old: str
    new: str


FAULTS = (
    Fault("another CRC", "bh_wire.c", "(x << 12)", "(x << 11)"),
    Fault("a code byte off by one", "bh_wire.c", "(uint8_t)(size + 1u - code)", "(uint8_t)(size - code)"),
    Fault("stuffing overrun taken", "bh_wire.c", "next > size", "next > size + 1u"),
    Fault("a round of SHA less", "bh_wire.c", "64u; i++) {\n        uint32_t one", "63u; i++) {\n        uint32_t one"),
    Fault("another pad", "bh_wire.c", "0x36u", "0x35u"),
    Fault("half the tag looked at", "bh_link.c", "packet + size, TAG_SIZE)", "packet + size, TAG_SIZE / 2u)"),
    Fault("no tag looked at", "bh_link.c", "if (!bh_same(tag, packet + size, TAG_SIZE))", "if (size == 0u)"),
    Fault("halves rounded up", "bh_wire.c", "rest == 0.5 && (whole & 1u) != 0u", "rest == 0.5"),
    Fault("not a number let through", "bh_wire.c", "!(size < 4294967296.0)", "size >= 4294967296.0"),
    Fault("negative limit off by one", "bh_wire.c", "(negative ? 1u : 0u)", "0u"),
    Fault("text cut inside a character", "bh_wire.c", "    return start;\n", "    return size;\n"),
    Fault("bits not limited", "bh_wire.c", "if (raw > 0xFFFFFFFFu >> (32u - field->size))", "if (size == 99u)"),
    Fault("the upper limit not looked at", "bh_wire.c", " && value <= limits->high", ""),
    Fault("no limit of the driven part", "bh_wire.c", "limits->driven_max > 0.0 &&", "limits->driven_max > 9e9 &&"),
    Fault("whole numbers snapped", "bh_wire.c", "F64 && limits->scale != 1.0", "F64 && limits->scale != 0.0"),
    Fault("nothing snapped", "bh_wire.c", "? limit : value", "? value : value"),
    Fault("bytes left over taken", "bh_wire.c", "return at == size;\n", "return at <= size;\n"),
    Fault("the count not wrapped", "bh_link.c", "+ 1u) & 0x3FFFu)", "+ 1u) & 0x1FFFu)"),
    Fault("fifteen remembered", "bh_link.c", "% BH_ANSWERS_KEPT)", "% (BH_ANSWERS_KEPT - 1u))"),
    Fault("old counters obeyed", "bh_link.c", "if (counter <= link->last_counter)", "if (counter == link->last_counter)"),
    Fault("other starts obeyed", "bh_link.c", "if (boot_id != link->boot_id)", "if (boot_id == 0xFFFFu)"),
    Fault("repeats obeyed", "bh_link.c", "kept != NULL) {\n        link->owed", "size == 0u) {\n        link->owed"),
    Fault("counter not burned", "bh_link.c", "    link->last_counter = counter; /*", "    link->last_counter = 0; /*"),
    Fault("counter zero taken", "bh_link.c", "counter == 0u || ", ""),
    Fault("header count not looked at", "bh_link.c", "(counter & 0x3FFFu) != (", "(counter & 0u) != (0u & "),
    Fault("length not looked at", "bh_link.c", "bh_get(packet + 4, 2) + 1u != size - HEADER_SIZE", "size == 0u"),
    Fault("written behind the buffer", "bh_link.c", "link->pending < BH_ENCODED_MAX", "link->pending <= BH_ENCODED_MAX"),
    Fault("bad frames not counted", "bh_link.c", "link->frames_bad++;\n    return BH_", "(void)link;\n    return BH_"),
    Fault("refusals not remembered", "bh_link.c", "    note(kept, BH_STAGE_REFUSED, reason);\n", "    (void)kept;\n"),
    Fault("answers forgotten", "bh_link.c", "    note(recall(link, command->counter), stage, reason);\n", ""),
)  # fmt: skip


def is_noticed(fault: Fault) -> str | None:
    """Return what noticed the fault, or None. Raises ValueError when it does not apply."""
    with tempfile.TemporaryDirectory() as name:
        for dictionary_name, dictionary in DICTIONARIES.items():
            folder = Path(name) / dictionary_name
            write_firmware(dictionary, folder)
            text = (folder / fault.file).read_text()
            if text.count(fault.old) != 1:
                raise ValueError(f"{fault.name}: {text.count(fault.old)} times in {fault.file}")
            (folder / fault.file).write_text(text.replace(fault.old, fault.new))
            sources = [*LIBRARY, "host/bh_host.c"]
            command = [*C99, *SANITIZED, "-o", "host.program", *sources, "-lm"]
            built = subprocess.run(command, cwd=folder, capture_output=True)
            if built.returncode:
                return "the compiler"
            try:
                _vectors(folder / "host.program")
                agreement.compare(dictionary_name, PACKETS, COMMANDS, 3, path=folder / "host.program")
                _wrap(dictionary_name, folder / "host.program")
                if dictionary_name == "wide":
                    with Program(folder / "host.program") as machine:
                        agreement.hear_beside_a_limit(agreement.Pair(dictionary, machine))
            except (AssertionError, EncoderProblem) as error:
                return f"{dictionary_name}: {type(error).__name__}"
    return None


def _vectors(path: Path) -> None:
    with Program(path) as machine:
        assert machine.ask("C", b"123456789") == b"\x29\xb1"
        assert machine.ask("D", b"\x04\x01\x02") == b"", "a code byte that points beyond the end"


def _wrap(name: str, path: Path) -> None:
    """Send one packet until its count has gone round."""
    dictionary = DICTIONARIES[name]
    packet = next(iter(dictionary.packets.values()))
    values = {c.name: "" if c.kind == "text" else c.offset for c in packet.channels}
    with Program(path) as machine:
        pair = agreement.Pair(dictionary, machine)
        for _ in range(16_400 if name == "small" else 1):
            assert pair.python.frame(packet.name, 0, values) == pair.c.frame(packet.name, 0, values)


def main() -> int:
    """Try every fault."""
    alive = 0
    for fault in FAULTS:
        noticed = is_noticed(fault)
        alive += noticed is None
        print(f"{'LIVES' if noticed is None else 'noticed':8} {fault.name}: {noticed or 'by nothing'}", flush=True)
    print(f"{len(FAULTS) - alive} of {len(FAULTS)} noticed")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
