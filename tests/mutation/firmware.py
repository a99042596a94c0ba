"""Single faults put into the C library, one at a time; each must be noticed: `python -m tests.mutation.firmware`.

A fault is noticed when the comparison with the ground's own code fails, a vector is missed, or the compiler or a sanitizer
objects. Prints one line per fault and ends with 1 when one lives.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from server.firmware.generator import write_firmware
from server.firmware.process_link import EncoderProblem, Program
from tests.server.firmware import agreement
from tests.server.firmware import test_starts as starts
from tests.server.firmware.build import C99, DICTIONARIES, LIBRARY, SANITIZED

PACKETS, COMMANDS = 400, 900
STARTS = Path(starts.__file__).with_name("starts.c")


@dataclass(frozen=True)
class Fault:
    """One change of one file of the library."""

    name: str
    file: str
    old: str
    new: str


FAULTS = (
    Fault("another CRC", "bh_wire.c", "(x << 12)", "(x << 11)"),
    Fault("a code byte off by one", "bh_wire.c",
          "(uint8_t)(i - code);\n    frame[i] = 0u;",
          "(uint8_t)(i - code - 1u);\n    frame[i] = 0u;"),
    Fault("no zero before a frame", "bh_wire.c", "    frame[0] = 0u;\n", "    frame[0] = 1u;\n"),
    Fault("stuffing overrun taken", "bh_wire.c", "next > size", "next > size + 1u"),
    Fault("a round of SHA less", "bh_wire.c", "64u; i++) {\n        uint32_t one", "63u; i++) {\n        uint32_t one"),
    Fault("another pad", "bh_wire.c", "0x36u", "0x35u"),
    Fault("the head left out of the tag", "bh_wire.c",
          "    sha256_add(&sha, head, head_size);\n",
          "    (void)head;\n    (void)head_size;\n"),
    Fault("half the tag looked at", "bh_link.c", "packet + size, TAG_SIZE)", "packet + size, TAG_SIZE / 2u)"),
    Fault("no tag looked at", "bh_link.c",
          "return bh_same(tag, packet + size, TAG_SIZE)",
          "return true || bh_same(tag, packet + size, TAG_SIZE)"),
    Fault("halves rounded up", "bh_fields.c",
          "(whole & 1u) != 0u)) {\n        if (whole == most)", "true)) {\n        if (whole == most)"),
    Fault("not a number goes out as zero", "bh_fields.c",
          "        return negative ? 0u - most : most;",
          "        return size != size ? 0u : negative ? 0u - most : most;"),
    Fault("not a number as the other end", "bh_fields.c",
          "!(steps >= 0.0) : steps < 0.0;", "steps < 0.0 : !(steps >= 0.0);"),
    Fault("what does not fit not counted", "bh_fields.c",
          "    if (!(size < (double)most + 1.0)) { /* also what is not a number */\n        (*refused)++;",
          "    if (!(size < (double)most + 1.0)) { /* also what is not a number */\n        (void)refused;"),
    Fault("the half above the greatest not counted", "bh_fields.c",
          "        if (whole == most) {\n            (*refused)++;",
          "        if (whole == most) {\n            (*refused) += 0u;"),
    Fault("negative limit off by one", "bh_fields.c", "(negative ? 1u : 0u)", "0u"),
    Fault("text cut inside a character", "bh_fields.c", "    return start;\n", "    return size;\n"),
    Fault("bits not limited", "bh_fields.c", "    if (raw > most)", "    if (raw > most && most == 0u)"),
    Fault("the upper limit not looked at", "bh_fields.c", " && value <= limits->high", ""),
    Fault("no limit of the driven part", "bh_fields.c", "limits->driven_max > 0.0 &&", "limits->driven_max > 9e9 &&"),
    Fault("whole numbers snapped", "bh_fields.c", "F64 && limits->scale != 1.0", "F64 && limits->scale != 0.0"),
    Fault("nothing snapped", "bh_fields.c", "? limit : value", "? value : value"),
    Fault("bytes left over taken", "bh_fields.c", "return at == size;\n", "return at <= size;\n"),
    Fault("the count not wrapped", "bh_link.c", "+ 1u) & 0x3FFFu)", "+ 1u) & 0x1FFFu)"),
    Fault("fifteen remembered", "bh_link.c", "% BH_ANSWERS_KEPT)", "% (BH_ANSWERS_KEPT - 1u))"),
    Fault("old counters obeyed", "bh_link.c",
          "if (asked->counter <= vehicle->last_counter)",
          "if (asked->counter == vehicle->last_counter)"),
    Fault("other starts obeyed", "bh_link.c", "if (asked->boot_id != vehicle->boot_id ||", "if ("),
    Fault("half the start id looked at", "bh_link.c",
          "asked->boot_id != vehicle->boot_id ||",
          "lower(asked->boot_id) != lower(vehicle->boot_id) ||"),
    Fault("a vehicle without a start obeys", "bh_link.c", " || asked->boot_id == 0u", ""),
    Fault("another vehicle's commands obeyed", "bh_link.c",
          "make_tag(vehicle->key, label, vehicle->id,",
          "make_tag(vehicle->key, label, BH_VEHICLE_ID ^ (vehicle->id & 0u),"),
    Fault("other dictionaries obeyed", "bh_link.c",
          "asked->dictionary_hash != BH_DICTIONARY_HASH",
          "asked->dictionary_hash == 1u"),
    Fault("late commands obeyed", "bh_link.c", "> BH_VALID_AT_MOST_MS", "> 0x7FFFFFFFu"),
    Fault("commands valid too long", "bh_link.c", "> BH_VALID_AT_MOST_MS", "> 2u * BH_VALID_AT_MOST_MS"),
    Fault("a failed store obeyed", "bh_link.c",
          "return stored ? BH_REASON_NONE",
          "return stored || !stored ? BH_REASON_NONE"),
    Fault("a failed store refuses Safe all", "bh_link.c",
          "        (void)is_stored(vehicle, counter);\n",
          "        if (!is_stored(vehicle, counter)) {\n            return BH_DROPPED;\n        }\n"),
    Fault("an old Safe all refused", "bh_link.c",
          "    vehicle->frames_good++;\n    if (counter > vehicle->last_counter) {",
          "    vehicle->frames_good++;\n    if (counter < vehicle->last_counter) {\n"
          "        return BH_DROPPED;\n    }\n    if (counter > vehicle->last_counter) {"),
    Fault("commands before a Safe all obeyed after it", "bh_link.c",
          "        vehicle->last_counter = counter;\n        (void)",
          "        (void)"),
    Fault("Safe all not told", "bh_link.c",
          "        vehicle->safed_counter = command->counter;\n",
          "        (void)command;\n"),
    Fault("Safe all told before it is done", "bh_link.c",
          "else if (stage == BH_STAGE_COMPLETED)",
          "else if (stage != BH_STAGE_REFUSED)"),
    Fault("labels not told apart", "bh_link.c",
          "safes ? \"BH2 safe all\" : \"BH2 command\"",
          "safes ? \"BH2 command\" : \"BH2 command\""),
    Fault("who is speaking not bound to the time", "bh_link.c",
          "\"BH2 identity\", time_ms,",
          "\"BH2 identity\", 0u * time_ms,"),
    Fault("a start count left out", "bh_link.c", "\"BH2 start\", starts,", "\"BH2 start\", 0u * starts,"),
    Fault("each radio the first", "bh_link.c",
          "    link->vehicle = vehicle;\n",
          "    link->vehicle = vehicle;\n    vehicle->last_counter = 0;\n"),
    Fault("repeats obeyed", "bh_link.c",
          "kept != NULL) {\n        return owe",
          "kept == (bh_remembered *)vehicle) {\n        return owe"),
    Fault("counter not burned", "bh_link.c",
          "    vehicle->last_counter = asked->counter; /*",
          "    vehicle->last_counter = 0; /*"),
    Fault("counter zero taken", "bh_link.c", "counter != 0u && ", ""),
    Fault("header count not looked at", "bh_link.c",
          " && (counter & 0x3FFFu) == (bh_get(packet + 2, 2) & 0x3FFFu)",
          " && packet != NULL"),
    Fault("length not looked at", "bh_link.c", "bh_get(packet + 4, 2) + 1u != size - HEADER_SIZE", "size == 0u"),
    Fault("a Safe all of another length taken", "bh_link.c", "size == COUNTER_SIZE && is_a", "size >= COUNTER_SIZE && is_a"),
    Fault("written behind the buffer", "bh_link.c", "link->pending < BH_ENCODED_MAX", "link->pending <= BH_ENCODED_MAX"),
    Fault("bad frames not counted", "bh_link.c",
          "    link->vehicle->frames_bad++;\n    return BH_DROPPED",
          "    (void)link;\n    return BH_DROPPED"),
    Fault("refusals not remembered", "bh_link.c",
          "        note(kept, BH_STAGE_REFUSED, reason);\n        return owe(link, asked->boot_id, kept);\n",
          "        bh_remembered once = *kept;\n        note(&once, BH_STAGE_REFUSED, reason);\n"
          "        return owe(link, asked->boot_id, &once);\n"),
    Fault("answers forgotten", "bh_link.c",
          "        note(recall(vehicle, command->counter), stage, reason);\n",
          "        (void)recall;\n"),
    Fault("torn records taken", "bh_starts.c", "(value ^ complement) == 0xFFFFFFFFu ? WHOLE : TORN", "WHOLE"),
    Fault("a record not read back", "bh_starts.c",
          " &&\n            look(flash, at, &kept) == WHOLE && kept == count) {",
          ") {"),
    Fault("each count written once", "bh_starts.c", "at != NOWHERE && keep(flash, at, *starts) != NOWHERE", "at != NOWHERE"),
    Fault("the page of the last count erased", "bh_starts.c", "at < page ? page : 0u", "at < page ? 0u : page"),
    Fault("the first of two taken for the second", "bh_starts.c",
          "count == last && is_second(flash->page, newest, at)",
          "count == last"),
)  # fmt: skip


def is_noticed(fault: Fault) -> str | None:
    """Return what noticed the fault, or None. Raises ValueError when it does not apply."""
    if fault.file == "bh_starts.c":
        return _is_noticed_by_starts(fault)
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


def _is_noticed_by_starts(fault: Fault) -> str | None:
    """Let a board lose power over and over with the fault in its count of starts."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "starts"
        write_firmware(DICTIONARIES["small"], folder)
        text = (folder / fault.file).read_text()
        if text.count(fault.old) != 1:
            raise ValueError(f"{fault.name}: {text.count(fault.old)} times in {fault.file}")
        (folder / fault.file).write_text(text.replace(fault.old, fault.new))
        shutil.copy(STARTS, folder)
        built = subprocess.run([*C99, *SANITIZED, "-o", "run", *LIBRARY, STARTS.name], cwd=folder, capture_output=True)
        if built.returncode:
            return "the compiler"
        for mode in ("sound", "torn", "ecc", "rot", "dead", "mute"):
            for seed in range(4):
                done = subprocess.run([folder / "run", str(seed), "20000", mode], capture_output=True, text=True)
                if done.returncode:
                    return f"starts that are {mode}"
                got, cuts, *_ = map(int, done.stdout.split())
                if got + cuts != (0 if mode in ("dead", "mute") else 20_000):
                    return f"starts that are {mode}"
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
