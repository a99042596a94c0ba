"""Which Blockhouse this is: its version, the state of its checkout, the default dictionary. Imports little.

The version stands in `server/__init__.py` and the package is built from there: looking an installed one up takes longer
than a bare interpreter takes to start.
"""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING

from server import __version__

if TYPE_CHECKING:
    from server.recording.session_header import Software

GIT_ANSWERS_WITHIN_S = 2.0
_DESCRIBE = ("git", "--no-optional-locks", "describe", "--always", "--abbrev=7", "--dirty=+", "--exclude=*")
_ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))


def software() -> Software:
    """Return what a session's header says of the program that records it."""
    from server.recording.session_header import Software

    return Software(__version__, git_state())


def git_state(folder: str | os.PathLike[str] = _ROOT) -> str:
    """Return a checkout's short commit, with a + when a tracked file is changed; "" for a folder that is no checkout.

    The folder itself has to be the checkout: an installation may lie inside somebody else's repository.
    """
    if not os.path.exists(os.path.join(folder, ".git")):
        return ""
    try:
        told = subprocess.run(_DESCRIBE, cwd=folder, capture_output=True, timeout=GIT_ANSWERS_WITHIN_S, check=True)
    except (OSError, subprocess.SubprocessError):
        return ""  # without git, or where it does not answer, nothing is said
    return told.stdout.decode("ascii", "replace").strip()


def version_line() -> str:
    """Return what `--version` prints: version, checkout if there is one, and the wire hash of the default dictionary."""
    from protocol.dictionary_file import load_dictionary

    git = git_state()
    checkout = f" ({git})" if git else ""
    return f"blockhouse {__version__}{checkout}, dictionary {load_dictionary(None).hash32:08x}"
