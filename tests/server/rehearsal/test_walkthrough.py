"""What the README's section Rehearsal tells to type finds the first planted fault, from nothing, as it stands there."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from tests.browser.station import ROOT

README = ROOT / "README.md"


def typed(home: Path, line: str) -> tuple[int, str]:
    """Run one line of the README in a folder, `blockhouse` being this one; returns exit code and what it printed."""
    program = home / "bin" / "blockhouse"
    if not program.exists():
        program.parent.mkdir()
        program.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m server "$@"\n')
        program.chmod(0o755)
    path = f"{program.parent}:{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path, "BLOCKHOUSE_HOME": str(home / "home"), "COLUMNS": "300"}
    done = subprocess.run(line, shell=True, cwd=home, env=environment, capture_output=True, text=True, timeout=120)
    return done.returncode, done.stdout + done.stderr


def test_the_walk_through_finds_the_first_planted_fault(tmp_path: Path) -> None:
    section = README.read_text("utf-8").split("\n## Rehearsal\n")[1].split("\n## ")[0]
    lines = [line.strip() for line in section.splitlines() if line.startswith("    ")]
    firmware, compiler, fly = lines[:3]
    again = next(line for line in lines if "--case" in line)
    assert typed(tmp_path, firmware)[0] == 0
    assert typed(tmp_path, compiler) == (0, "")
    code, out = typed(tmp_path, fly)
    assert code == 3
    said = next(line for line in out.splitlines() if line.startswith("calm, seed 1:"))
    told = next(line for line in lines if line.startswith("calm, seed 1:"))
    assert said.startswith(told.removesuffix("...")) and "control.enabled goes to 1" in said
    shrunk = next(line for line in lines if line.startswith("Shrunk from"))
    assert shrunk in out.splitlines()
    case = json.loads((tmp_path / "firmware" / "found.json").read_text())
    assert len(case["frames"]) <= 5 and len(case["channels"]) <= 3
    code, out = typed(tmp_path, again)
    assert code == 3 and "Reproduced in 8 of 8." in out
    assert typed(tmp_path, compiler.replace(" -DFC_FAULT=1", ""))[0] == 0
    code, out = typed(tmp_path, again)
    assert code == 0 and "not reproduced in 8 of 8." in out
