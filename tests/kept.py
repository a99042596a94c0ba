"""Flights kept on disk between runs and shared by workers: flying the twin is most of what many tests wait for.

A flight is kept under a hash of all code it is made by (protocol, twin, the flight computation the twin uses) and of what
was asked for, so that a change of any of them flies anew. The folder is pytest's own cache; deleting it costs only time.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import shutil
from collections.abc import Callable
from contextlib import nullcontext
from functools import cache
from pathlib import Path
from typing import TypeVar

from tests.locks import LOCKS, fcntl, locked

Made = TypeVar("Made")
ROOT = Path(__file__).resolve().parent.parent
FOLDER = LOCKS / "flights"
MADE_BY = (
    "protocol",
    "server/twin",
    "server/flight",
    "tests/accuracy/random_flights.py",
    "tests/server/flight/ascents.py",
    "tests/server/flight/twin_flights.py",
    "tests/server/flights.py",
    "tests/server/twin/helpers.py",
)


@cache
def code_hash() -> str:
    """Return a hash of the code that flights are made by."""
    digest = hashlib.sha256()
    for name in MADE_BY:
        place = ROOT / name
        for path in sorted(place.rglob("*")) if place.is_dir() else [place]:
            if path.suffix in (".py", ".toml"):
                digest.update(path.relative_to(ROOT).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def kept(what: object, make: Callable[[], Made]) -> Made:
    """Return what `make` makes, from disk if it was made before by the same code; `what` names it, by its repr."""
    folder = FOLDER / code_hash()
    file = folder / hashlib.sha256(repr(what).encode()).hexdigest()[:32]
    if not folder.exists():
        for older in FOLDER.glob("*"):
            shutil.rmtree(older, ignore_errors=True)
        folder.mkdir(parents=True, exist_ok=True)
    # Whoever wants the same flight meanwhile waits for it.
    with nullcontext() if fcntl is None or file.exists() else locked(file.with_suffix(".turn"), shared=False):
        try:
            with file.open("rb") as source:
                return pickle.load(source)  # type: ignore[no-any-return]  # written by this function alone
        except (OSError, EOFError, pickle.UnpicklingError):
            made = make()
        folder.mkdir(parents=True, exist_ok=True)  # a run of other code beside this one may have swept it away
        aside = file.with_suffix(f".{os.getpid()}")
        aside.write_bytes(pickle.dumps(made))
        aside.replace(file)
    return made
