"""What a fault is, and the files that faults are put into."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
QUEUE = "server/uplink/command_queue.py"
TABLE = "server/uplink/command_table.py"
OUTCOMES = "server/uplink/outcomes.py"
RULES = "server/uplink/rules.py"
STATE = "server/uplink/command_state.py"
CONDITIONS = "server/telemetry/conditions.py"
AUTHORITY = "server/uplink/authority.py"
COUNTER = "server/uplink/counter_store.py"
WATCH = "server/bridge/link_watch.py"
VEHICLE = "protocol/vehicle.py"
COMMANDS = "protocol/commands.py"
BOUND = "protocol/bound.py"
ADDRESSEE = "server/uplink/addressee.py"
STATION = "server/live/station.py"
EXECUTOR = "server/live/command_executor.py"
FLOW = "server/live/record_flow.py"
ACTS = "server/live/acts.py"
PERMITS = "server/uplink/permits.py"
DESK = "server/uplink/permit_desk.py"
TWO_ACTS = "server/uplink/two_acts.py"


@dataclass(frozen=True)
class Fault:
    """One fault: its name, the test file expected to catch it, and (file, old text, new text) replacements."""

    name: str
    catcher: str
    changes: tuple[tuple[str, str, str], ...]


def test_file(name: str) -> str:
    """Return the one file of the server's or the wire's tests called test_<name>.py; LookupError when none, or two."""
    rooms = (ROOT / "tests" / "server", ROOT / "tests" / "protocol")
    found = [path.relative_to(ROOT).as_posix() for room in rooms for path in room.rglob(f"test_{name}.py")]
    if len(found) != 1:
        raise LookupError(f"test_{name}.py is there {len(found)} times")
    return found[0]


def fault(name: str, catcher: str, *changes: tuple[str, str, str]) -> Fault:
    """Return a fault that the tests in test_<catcher>.py are expected to catch."""
    return Fault(name, test_file(catcher), changes)
