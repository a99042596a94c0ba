"""`blockhouse rehearse --history`: how each firmware build has done in all rehearsals kept on this computer."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

from server.cli.paper import ACT, TITLE, Block, Table, Words, show
from server.rehearsal.history import FILE, Build, by_build, read

HEAD = ("firmware", "program", "passed", "fails in less than", "last", "most often wrong")


def tell_history(sessions: Path, as_json: bool) -> None:
    """Print it."""
    runs, damaged = read(sessions / FILE)
    builds = by_build(runs)
    if as_json:
        print(json.dumps({"builds": [asdict(one) for one in builds], "unreadable": damaged}))
        return
    show(list(blocks(builds, damaged)))


def blocks(builds: Sequence[Build], damaged: int) -> Iterator[Block]:
    """Yield what is printed."""
    if not builds:
        yield Words("No rehearsal is kept here yet.", TITLE)
    else:
        styles = {place: ACT for place, one in enumerate(builds) if one.passed < one.runs}
        yield Table([_row(one) for one in builds], HEAD, frozenset({2, 3}), styles)
        yield Words(
            "By the exact bound, one-sided, 95 %; of a real computer only what its start packet says tells builds apart."
        )
    if damaged:
        yield Words(f"{damaged} line{'s' * (damaged != 1)} of {FILE} could not be read and left out.")


def _row(one: Build) -> tuple[str, ...]:
    aside = f" ({one.invalid} INVALID)" if one.invalid else ""
    bound = f"{100.0 * one.fails_below:.1f} %" if one.runs else ""
    return (
        one.firmware or "says nothing",
        one.build or "at a cable",
        f"{one.passed} of {one.runs}{aside}",
        bound,
        one.last_utc[:16].replace("T", " "),
        one.worst,
    )
