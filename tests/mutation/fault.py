"""What a fault is, and the files that faults are put into."""

from __future__ import annotations

from dataclasses import dataclass

QUEUE = "server/command_queue.py"
STATE = "server/command_state.py"
CONDITIONS = "server/conditions.py"
AUTHORITY = "server/authority.py"
KEYS = "server/keys.py"
WATCH = "server/link_watch.py"
VEHICLE = "protocol/vehicle.py"
COMMANDS = "protocol/commands.py"
STATION = "server/station.py"
PERMITS = "server/permits.py"
DESK = "server/permit_desk.py"


@dataclass(frozen=True)
class Fault:
    """One fault: its name, the test file expected to catch it, and (file, old text, new text) replacements."""

    name: str
    catcher: str
    changes: tuple[tuple[str, str, str], ...]


def fault(name: str, catcher: str, *changes: tuple[str, str, str]) -> Fault:
    """Return a fault that tests/server/test_<catcher>.py is expected to catch."""
    return Fault(name, f"tests/server/test_{catcher}.py", changes)
