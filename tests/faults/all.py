"""Every case, in the order of the fault list."""

from __future__ import annotations

from tests.faults import disk_faults, file_faults, people_faults, process_faults, wire_faults
from tests.faults.case import CASES

__all__ = ["CASES", "disk_faults", "file_faults", "people_faults", "process_faults", "wire_faults"]

CASES.sort(key=lambda case: (int(case.number.rstrip("abcdef") or 0), case.number))
