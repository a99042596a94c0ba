"""What npm brings for the tests: installed beside this file as the lock file says, once for all workers."""

from __future__ import annotations

import shutil
import subprocess
from contextlib import nullcontext
from pathlib import Path

from tests.locks import LOCKS, fcntl, locked

HERE = Path(__file__).parent


def installed(wanted: str) -> Path:
    """Return the path of a file below node_modules, installing what the lock file names where it is not there."""
    npm = shutil.which("npm")
    assert npm is not None, "npm is needed for the page's tests; .ci/run installs it"
    path = HERE / "node_modules" / wanted
    LOCKS.mkdir(exist_ok=True)
    with locked(LOCKS / "npm", shared=False) if fcntl else nullcontext():  # workers side by side would install it twice
        done_by, lock = HERE / "node_modules" / ".package-lock.json", HERE / "package-lock.json"
        if not path.exists() or done_by.stat().st_mtime_ns < lock.stat().st_mtime_ns:
            done = subprocess.run([npm, "ci"], cwd=HERE, capture_output=True, text=True, timeout=300, check=False)
            assert done.returncode == 0, done.stdout + done.stderr
    return path
