"""Run the page's own tests: node's test runner over the pure modules of web/."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

HERE = Path(__file__).parent


def test_page_modules_pass_their_node_tests() -> None:
    node = shutil.which("node")
    assert node is not None, "node is needed for the page's tests; .ci/run installs it"
    files = sorted(str(path) for path in HERE.glob("*.test.js"))
    assert files
    done = subprocess.run([node, "--test", *files], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert "# fail 0" in done.stdout and "# skipped 0" in done.stdout
