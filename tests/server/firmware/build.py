"""Compiling the generated firmware for tests, once per dictionary and kind of build."""

from __future__ import annotations

import atexit
import hashlib
import os
import shutil
import subprocess
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from server.firmware.generator import write_firmware
from tests.locks import LOCKS
from tests.protocol.all_types import ANSWER, TYPES_TEXT
from tests.protocol.helpers import HEAD, SANDPIPER, SMALL_TEXT
from tests.server.firmware.wire2 import on_wire_2, wire2_text

STRICT = ["-Wall", "-Wextra", "-Wpedantic", "-Werror", "-Wconversion", "-Wshadow", "-Wdouble-promotion"]
C99 = ["gcc", "-std=c99", *STRICT]
CXX = ["g++", "-x", "c++", "-std=c++11", *STRICT]
SANITIZED = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
LIBRARY = ("bh_wire.c", "bh_fields.c", "bh_link.c", "bh_rehearsal.c", "bh_starts.c", "bh_dictionary.c")
REHEARSAL = "-DBH_REHEARSAL"


KEPT_DAYS = 3


@dataclass(frozen=True)
class Target:
    """A processor: its compiler, and what runs its programs here."""

    compiler: str
    flags: tuple[str, ...] = ()
    runner: tuple[str, ...] = ()


TARGETS = {
    "here": Target("gcc"),
    "arm": Target("arm-linux-gnueabi-gcc", ("-static", "-mfloat-abi=soft"), ("qemu-arm",)),
    "powerpc": Target("powerpc-linux-gnu-gcc", ("-static",), ("qemu-ppc",)),
}
PROGRAMS = {
    "host": ([*LIBRARY, "host/bh_host.c"], ["-O2"]),
    "host-sanitized": ([*LIBRARY, "host/bh_host.c"], SANITIZED),
    "host-rehearsal": ([*LIBRARY, "host/bh_host.c"], ["-O2", REHEARSAL]),
    "host-rehearsal-sanitized": ([*LIBRARY, "host/bh_host.c"], [*SANITIZED, REHEARSAL]),
    "example": ([*LIBRARY, "host/sandpiper_example.c"], ["-O2"]),
}

# Arguments of every type, with scales, linkages and limits that the wire's rounding touches; words of C as names.
WIDE_TEXT = wire2_text(
    HEAD
    + """
[packet.int]
apid = 3
fields = [ { name = "double", type = "i32", scale = 1e-7 }, { name = "new", type = "u8", values = ["a b", "a-b", "*/"] } ]
[packet.answer]
apid = 1
fields = [
  { name = "reason", type = "u8", values = ["other boot", "none", "unknown command", "old counter", "out of range"] },
  { name = "boot_id", type = "u16" }, { name = "code", type = "u8" }, { name = "counter", type = "u32" },
  { name = "stage", type = "u8", values = ["completed", "refused", "accepted", "failed"] },
]
[uplink]
apid = 2046
[command.every]
code = 0x10
hazard = "routine"
title = "Every"
does = "Has one of each."
args = [
  { name = "class", type = "u8", min = 0, max = 255 },
  { name = "b", type = "i8", min = -128, max = 127 },
  { name = "c", type = "u16", scale = 0.1, min = 0.3, max = 6000 },
  { name = "d", type = "i16", min = -30000, max = 30000 },
  { name = "e", type = "u32", min = 5, max = 4294967000 },
  { name = "f", type = "i32", scale = 0.001, min = -2000000.0, max = 2000000.0 },
  { name = "g", type = "f32", min = -0.7, max = 1e30 },
  { name = "h", type = "f64", min = -1e300, max = 0.1 },
]
[command.linked]
code = 0xEF
hazard = "guarded"
title = "Linked"
does = "Turns */ a thing that turns another."
args = [ { name = "angle", type = "i16", scale = 0.0001, min = -1, max = 1, ratio = -1.6, driven_max = 0.4363 } ]
[command.bare]
code = 0xFE
hazard = "routine"
title = "Bare"
does = "Has none."
"""
)
WIDE = on_wire_2(WIDE_TEXT, "wide.toml")
SANDPIPER_2 = on_wire_2(SANDPIPER.text, "sandpiper.toml")
SMALL_2 = on_wire_2(SMALL_TEXT, "small.toml")
BARE = '[command.bare]\ncode = 0xFE\nhazard = "routine"\ntitle = "Bare"\ndoes = "Has none."\n'
ALL_TYPES = parse_dictionary(TYPES_TEXT.replace("[uplink]", f"{ANSWER}{BARE}[uplink]"), "types.toml")
DICTIONARIES = {"sandpiper": SANDPIPER_2, "small": SMALL_2, "wide": WIDE, "types": ALL_TYPES}


@cache
def generated(name: str) -> Path:
    """Write the firmware of one of the dictionaries; return its folder."""
    folder = Path(tempfile.mkdtemp(prefix="firmware-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    write_firmware(DICTIONARIES[name], folder)
    if name == "sandpiper":  # also where the dictionary that comes with the program is still on wire version 1
        example = resources.files("server.firmware").joinpath("c", "sandpiper_example.c").read_text("utf-8")
        (folder / "host" / "sandpiper_example.c").write_text(example)
    return folder


def compiled(command: list[str], folder: Path, sources: list[str], output: str, more: list[str] | None = None) -> Path:
    """Run a compiler in `folder`, unless it compiled the same before without a word; fails with what it said."""
    whole = [*command, "-o", output, *sources, *(more or [])]
    file = None if any(Path(word).is_absolute() for word in whole) else kept_as(whole, folder)
    if file is not None and file.exists():
        shutil.copy(file, folder / output)
        file.touch()
        return folder / output
    done = subprocess.run(whole, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    if file is not None and not done.stderr and (folder / output).exists():
        aside = file.with_suffix(f".{os.getpid()}")
        shutil.copy(folder / output, aside)
        aside.replace(file)
    return folder / output


def kept_as(command: list[str], folder: Path) -> Path:
    """Return where what a command makes of a folder is kept: named by compiler, words and every source and header in it.

    Several workers, and every run, compile the same. What other compilers made goes once there is a new one.
    """
    kept = _swept(LOCKS / "programs" / _compilers())
    digest = hashlib.sha256(repr(command).encode())
    for path in sorted(path for path in folder.rglob("*") if path.suffix in (".c", ".h")):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return kept / digest.hexdigest()[:32]


@cache
def _swept(kept: Path) -> Path:
    """Return the folder without what nobody asked for lately: of random dictionaries every run makes others."""
    kept.mkdir(parents=True, exist_ok=True)
    for older in kept.parent.glob("*"):
        if older != kept:
            shutil.rmtree(older, ignore_errors=True)
    for file in kept.iterdir():
        with suppress(FileNotFoundError):  # another worker sweeps, too
            if file.stat().st_mtime < time.time() - KEPT_DAYS * 86400:
                file.unlink()
    return kept


@cache
def _compilers() -> str:
    """Return a hash that is another one once a compiler or the C library is."""
    digest = hashlib.sha256()
    for name in ("gcc", "g++", "clang", "clang++", *(target.compiler for target in TARGETS.values())):
        if found := shutil.which(name):
            said = subprocess.run([found, "--version"], capture_output=True, check=False).stdout
            digest.update(name.encode() + said + str(Path(found).resolve().stat().st_mtime_ns).encode())
    for name in ("/usr/include/features.h", "/usr/include/stdio.h"):
        if Path(name).exists():
            digest.update(Path(name).read_bytes() + str(Path(name).stat().st_mtime_ns).encode())
    return digest.hexdigest()[:16]


@cache
def program(name: str, kind: str = "host", target: str = "here") -> Path:
    """Return a compiled program of one of the dictionaries, for this machine's processor or another."""
    sources, flags = PROGRAMS[kind]
    command = [TARGETS[target].compiler, *C99[1:], *flags, *TARGETS[target].flags]
    return compiled(command, generated(name), sources, f"{kind}-{target}.program", ["-lm"])


def dictionary(name: str) -> Dictionary:
    """Return one of the dictionaries by name."""
    return DICTIONARIES[name]
