"""The protections, each taken out in turn: in the generated C by a change of its source, at the station by a patch.

`built` compiles the library of a dictionary, whole or without one of them. Each protection is told with the faults of which
at least one must then be seen.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from unittest.mock import patch

from protocol.dictionary import Dictionary
from server.firmware.generator import write_firmware
from tests.attack.bench import Table
from tests.server.firmware.build import LIBRARY, compiled
from tests.server.uplink.queue_world import Disk, dictionary, swapped

TABLE = Path(__file__).with_name("table.c")
WRONG = "executed by the wrong vehicle or start"
SHOWN = "wrong outcome shown"
UNSAFE = "Safe all refused"


@dataclass(frozen=True)
class Protection:
    """A change of one file of the generated C that takes one protection out, and what must then be seen."""

    name: str
    file: str
    old: str
    new: str
    faults: tuple[str, ...]


LINK, HOST = "bh_link.c", "host/bh_host.c"
IN_C = (
    Protection("tag", LINK, "return bh_same(tag, packet + size, TAG_SIZE)", "return size > 0u || bh_same(tag, packet, 1)",
               ("executed something else than was asked", "executed what no station sent")),
    Protection("boot id", LINK, "asked->boot_id != vehicle->boot_id ||", "", (WRONG,)),
    Protection("half the boot id", LINK, "asked->boot_id != vehicle->boot_id ||",
               "(asked->boot_id ^ vehicle->boot_id) % 4u != 0u ||", (WRONG,)),
    Protection("vehicle under the tag", LINK, "make_tag(vehicle->key, label, vehicle->id,",
               "make_tag(vehicle->key, label, BH_VEHICLE_ID,", (WRONG,)),
    Protection("dictionary's hash", LINK, "asked->dictionary_hash != BH_DICTIONARY_HASH", "asked->dictionary_hash == 1u",
               ("executed something else than was asked",)),
    Protection("valid until", LINK, "> BH_VALID_AT_MOST_MS", "> 0xFFFFFFFEu", ("executed late",)),
    Protection("counter", LINK, "if (asked->counter <= vehicle->last_counter)", "if (asked->counter == 0u)",
               ("executed twice", "executed after a newer one")),
    Protection("remembered commands and counter", LINK,
               "    if (kept != NULL) {\n        return owe(link, asked->boot_id, kept);\n    }\n"
               "    if (asked->counter <= vehicle->last_counter)",
               "    (void)kept;\n    if (asked->counter < vehicle->last_counter)", ("executed twice",)),
    Protection("one memory for all radios", HOST, "bh_begin_link(&radios[i], &vehicle);",
               "static bh_vehicle apart[RADIOS];\n        apart[i] = vehicle;\n"
               "        bh_begin_link(&radios[i], &apart[i]);",
               ("executed twice",)),
    Protection("counter burned before it is stored", LINK, "        return refuse(link, kept, asked, reason);\n    }\n#if",
               "        if (reason == BH_REASON_NOT_STORED) {\n            kept->counter = 0;\n"
               "            vehicle->last_counter = asked->counter - 1u;\n"
               "            return refuse(link, NULL, asked, reason);\n"
               "        }\n        return refuse(link, kept, asked, reason);\n    }\n#if", (SHOWN,)),
    Protection("Safe all though it is not stored", LINK, "        (void)is_stored(vehicle, counter);\n",
               "        if (!is_stored(vehicle, counter)) {\n            return BH_DROPPED;\n        }\n", (UNSAFE,)),
    Protection("Safe all each time", LINK, "    vehicle->frames_good++;\n    if (counter > vehicle->last_counter) {",
               "    vehicle->frames_good++;\n    if (counter <= vehicle->last_counter) {\n"
               "        return BH_DROPPED;\n    }\n    if (counter > vehicle->last_counter) {", (UNSAFE,)),
    Protection("Safe all outdates what was sent before it", LINK, "        vehicle->last_counter = counter;\n        (void)",
               "        (void)", ("executed after a newer one",)),
    Protection("a zero ends what was heard", LINK, "    link->pending = 0;\n    return heard;",
               "    link->pending = (uint16_t)(heard == BH_DROPPED ? 1u : 0u);\n    return heard;", (UNSAFE,)),
)  # fmt: skip


@cache
def _generated(which: str) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="attack-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    write_firmware(_words(which), folder)
    return folder


def _words(which: str) -> Dictionary:
    return swapped() if which == "swapped" else dictionary()


@cache
def built(which: str, without: Protection | None = None) -> Path:
    """Return the compiled library of "ours" or the "swapped" dictionary, whole or without a protection."""
    folder = Path(tempfile.mkdtemp(prefix="attack-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    shutil.copytree(_generated(which), folder, dirs_exist_ok=True)
    shutil.copy(TABLE, folder)
    if without is not None:
        path = folder / without.file
        source = path.read_text("utf-8")
        assert source.count(without.old) == 1, f"{without.name}: its place is not found once"
        path.write_text(source.replace(without.old, without.new), "utf-8")
    command = ["gcc", "-std=c99", "-O1", "-shared", "-fPIC", "-I."]
    return compiled(command, folder, [*LIBRARY, "table.c"], "table.so", ["-lm"])


def laid(without: Protection | None = None) -> Table:
    """Return a table of vehicles, whole or without a protection."""
    return Table(built("ours", without), built("swapped", without))


def _forget(disk: Disk) -> None:
    """A station that ended has stored nothing."""
    disk.covered, disk._next = 0, 1


# At the station: what is patched, with what, and what must then be seen.
NO_GATE = "left for a vehicle that did not say so"
AT_STATION: dict[str, tuple[str, object, tuple[str, ...]]] = {
    "station: gate on who is heard": (
        "server.uplink.addressee.Addressee.why_not", lambda self, hazard, now_s, boot_id=None: None, (NO_GATE,)),
    "station: identity is fresh": ("server.uplink.addressee.IDENTITY_FRESH_S", 1e9, (NO_GATE,)),
    "station: commands run out": ("server.uplink.addressee.VALID_S", 9.5, ("executed late",)),
    "station: identity is signed": (
        "server.uplink.addressee.Identity.signed_by", lambda self, key, vehicle_ms: True, ("executed late",)),
    "station: counters are stored": ("tests.server.uplink.queue_world.Disk.crash", _forget, (SHOWN,)),
    "station: a refused copy is no outcome": ("server.uplink.outcomes.NO_OUTCOME", (), (SHOWN,)),
    "station: a zero before each frame": ("protocol.bound.DELIMITER", b"", (UNSAFE,)),
}  # fmt: skip
EVERY = (*(p.name for p in IN_C), *AT_STATION)


@contextmanager
def taken_out(name: str) -> Iterator[tuple[Table, tuple[str, ...]]]:
    """Lay a table from which one protection is missing; gives it, and the faults of which one must be seen."""
    for protection in IN_C:
        if protection.name == name:
            yield laid(protection), protection.faults
            return
    place, other, faults = AT_STATION[name]
    with patch(place, other):
        yield laid(), faults
