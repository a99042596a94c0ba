"""Tests side by side: those marked `alone` have the machine to themselves, whatever the other workers run.

Those marked `terminal` make pseudo-terminals and take them away; one at a time, since a name that one lets go of is the name
the next one gets, and a station that waits for its radio would open a stranger's.

Tests with a browser go to two workers, each one after the other: each keeps a station, a vehicle and a page that draws
alive, and four of these on two cores make a person wait for seconds, which is what these tests measure; all in one row
outlast everything else. They are dealt out first, then what else waits for real processes, so that nobody is left alone
with a long row of them in the end.

Compiled modules are kept beside their sources, whatever the environment says: else every worker, and every process a test
starts, compiles the same modules anew.
"""

from __future__ import annotations

import gc
import os
import re
import sys
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadFileScheduling

import server  # noqa: F401  # says how many threads sums may have, which numpy reads when a test file loads it
from tests.locks import LOCKS, fcntl, locked

BROWSER = "tests/browser/"
# What one of these matches is one worker's: two halves of the tests with a browser, and those that wait for the terminal.
ONE_WORKER = (re.compile(r"tests/browser/test_[p-z]"), re.compile(BROWSER), re.compile("tests/faults/"))
LONG = (BROWSER, "tests/faults/", "tests/server/live/", "tests/attack/", "tests/accuracy/", "tests/server/cli/")
GARBAGE_AFTER = 50_000  # objects more than before, until the collector looks; Python's own value is 700
COMPILED = LOCKS / "compiled"  # there once a worker has collected all, so that all are compiled

sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Iterator[object]:
    """Let one worker import and compile everything while the others wait, where that was never done.

    Nearly all that collection makes stays, so nobody looks for garbage meanwhile, and seldom afterwards: every look goes
    through 7000 tests and all they import.
    """
    is_worker = fcntl is not None and hasattr(session.config, "workerinput")
    with ExitStack() as turn:
        if is_worker and not COMPILED.exists():
            LOCKS.mkdir(exist_ok=True)
            turn.enter_context(locked(LOCKS / "compiled.turn", shared=False))
            if COMPILED.exists():
                turn.close()
        gc.disable()
        try:
            collected = yield
        finally:
            gc.enable()
            gc.set_threshold(GARBAGE_AFTER, 10, 10)
        if is_worker:
            COMPILED.touch()
    return collected


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Let a test that is `alone` wait until the other workers have ended theirs; they wait at the door meanwhile.

    Everybody goes through the door one by one; whoever wants to be alone stays in it, so that nobody can slip in before.
    """
    if fcntl is None or not hasattr(item.config, "workerinput"):
        return (yield)
    LOCKS.mkdir(exist_ok=True)
    is_alone = item.get_closest_marker("alone") is not None
    with ExitStack() as door:
        door.enter_context(locked(LOCKS / "alone.door", shared=False))
        with ExitStack() as inside:
            inside.enter_context(locked(LOCKS / "alone.room", shared=not is_alone))
            if not is_alone:
                door.close()
            if item.get_closest_marker("terminal") is not None and not is_alone:
                inside.enter_context(locked(LOCKS / "terminal", shared=False))
            return (yield)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put what takes long first."""
    items.sort(key=lambda item: next((at for at, place in enumerate(LONG) if item.nodeid.startswith(place)), len(LONG)))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadFileScheduling:
    """Deal the tests out by file, but those with a browser to two workers."""
    config.option.loadscopereorder = False  # by number of tests, which says nothing of how long they take
    return OnePage(config, log)


class OnePage(LoadFileScheduling):
    """Files to workers in the order of collection; what one line of `ONE_WORKER` matches counts as one file."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::", 1)[0]
        return next((of.pattern for of in ONE_WORKER if of.match(file)), file)
