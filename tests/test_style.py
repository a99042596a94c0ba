"""One style and checked types for the whole tree: ruff and mypy, as pyproject.toml sets them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize("what", [["check"], ["format", "--check"]], ids=" ".join)
def test_ruff_has_nothing_to_say(what: list[str]) -> None:
    command = [sys.executable, "-m", "ruff", *what, "--no-cache", "protocol", "server", "tests"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout


def test_mypy_has_nothing_to_say() -> None:
    """Strict, for every room; what may stay unchecked stands in pyproject.toml with its reason."""
    done = subprocess.run([sys.executable, "-m", "mypy"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
