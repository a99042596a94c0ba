"""What the key and its counter have in common: names, and the one kind of failure."""

from __future__ import annotations

import hashlib

from server.problems import Problem

KEY_FILE = "command.key"
ROTATE = "Make a new key with 'blockhouse key rotate' and put it into the flight computer."


class KeyProblem(Problem):
    """The key or its counter cannot be used; the text is one plain sentence."""


def fingerprint(key: bytes) -> str:
    """Return a short name of a key that tells nothing about it: first 8 bytes of SHA-256, in groups of four digits."""
    digest = hashlib.sha256(b"blockhouse key fingerprint" + key).hexdigest()[:16]
    return "-".join(digest[i : i + 4] for i in range(0, 16, 4))
