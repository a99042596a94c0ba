"""One style for the whole tree: ruff's rules and format, as pyproject.toml sets them."""

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
