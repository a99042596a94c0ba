"""The quick loop, under a minute on two cores: style, types, the page's modules and the pure rooms.

    python -m tests.quick

What it leaves out is everything that starts processes, opens browsers or flies whole flights; before a commit that touches
those, run their folders, and before a push the whole suite.
"""

from __future__ import annotations

import sys
import time

import pytest

PURE = (
    "tests/test_style.py",
    "tests/test_layout.py",
    "tests/test_sources.py",
    "tests/web",
    "tests/protocol",
    "tests/server/telemetry",
    "tests/server/pad",
    "tests/server/design/test_sheet_numbers.py",
    "tests/server/design/test_configuration.py",
    "tests/server/uplink/test_command_queue.py",
    "tests/server/uplink/test_command_state.py",
    "tests/server/uplink/test_permits.py",
    "tests/server/uplink/test_permit_desk.py",
    "tests/server/trials/test_plan.py",
    "tests/server/trials/test_state.py",
    "tests/server/flight/air",
    "tests/server/flight/link",
    "tests/server/flight/sensors/test_limits.py",
)


def main() -> int:
    """Run the pure part of the suite; return pytest's exit code."""
    begun = time.monotonic()
    code = int(pytest.main(["-q", "-n", "2", *PURE]))
    print(f"{time.monotonic() - begun:.0f} s")
    return code


if __name__ == "__main__":
    sys.exit(main())
