"""Sums take one thread, so that the second core is the event loop's; whoever sets another number is obeyed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

# A product of two matrices this large is shared among the library's threads, where it has any.
COUNT = """
import os, {first}numpy
numpy.ones((800, 800)) @ numpy.ones((800, 800))
print(len(os.listdir("/proc/self/task")))
"""


def _threads(first: str, **environment: str) -> int:
    env = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")} | environment
    root = Path(__file__).parents[2]
    ran = subprocess.run(
        [sys.executable, "-c", COUNT.format(first=first)], env=env, cwd=root, capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stderr
    return int(ran.stdout)


@pytest.mark.parametrize("first", ["server, ", "server.flight.motion, "])
def test_the_station_computes_with_one_thread(first: str) -> None:
    assert _threads(first) == 1


def test_another_number_of_threads_is_obeyed() -> None:
    # The library makes as many as it is told, or none at all where it was built without threads.
    assert _threads("server, ", OPENBLAS_NUM_THREADS="3") == _threads("", OPENBLAS_NUM_THREADS="3")
