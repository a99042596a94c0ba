"""Put each fault into a copy of the tree, run the tests against it, print a table of what was caught and by what.

    python -m tests.mutation.run              all faults, two at a time (a few minutes)
    python -m tests.mutation.run "safe all"   only those with these words in their name (" plan": those of permits)

Two columns tell how: the example tests and the state machine are run apart, so that one sees what the other misses. A
fault counts as caught when either fails. The exit code is the number of faults that were not caught.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.fault import ROOT, Fault, test_file
from tests.mutation.faults import FAULTS

COPIED = ("protocol", "server", "tests", "pyproject.toml")
MACHINE = "tests/server/uplink/test_command_invariants.py"
BITES = "::test_no_order_of_acts_faults_and_events_breaks_an_invariant"  # not the one that only counts
EXAMPLES = tuple(
    test_file(name)
    for name in (
        "command_state",
        "two_acts",
        "addressee",
        "conditions",
        "authority",
        "link_watch",
        "keys",
        "command_queue",
        "command_attacks",
        "permits",
        "permit_desk",
        "station_commands",
    )
)
MACHINE_RUNS = "200"
PATIENCE_S = 180
FAILED = re.compile(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", re.MULTILINE)


class DoesNotApply(Exception):
    """A fault's old text is not exactly once in the present source."""


@dataclass(frozen=True)
class Result:
    """What became of one fault: the first test that failed among the examples, and in the machine; "" = none did."""

    fault: Fault
    examples: str
    machine: str

    @property
    def caught(self) -> bool:
        """Whether any test noticed."""
        return bool(self.examples or self.machine)


def changed_sources(fault: Fault, root: Path) -> dict[Path, str]:
    """Return the changed text of each file the fault touches; raises DoesNotApply."""
    texts: dict[Path, str] = {}
    for file, old, new in fault.changes:
        path = root / file
        text = texts.get(path) or path.read_text("utf-8")
        if text.count(old) != 1 or old == new:
            raise DoesNotApply(f"{fault.name}: {text.count(old)} times in {file}: {old!r}")
        texts[path] = text.replace(old, new)
    return texts


def try_fault(fault: Fault) -> Result:
    """Run the tests against a copy of the tree that has this one fault."""
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        root = Path(folder)
        copy_tree(root)
        for path, text in changed_sources(fault, root).items():
            path.write_text(text, "utf-8")
        first = [fault.catcher, *[name for name in EXAMPLES if name != fault.catcher]]
        return Result(fault, _first_failure(root, first), _first_failure(root, [MACHINE + BITES]))


def copy_tree(root: Path) -> None:
    """Copy what the tests need, without caches."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, root / name, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
        else:
            shutil.copy(source, root / name)


def _first_failure(root: Path, tests: list[str]) -> str:
    more = {"BLOCKHOUSE_NO_SHRINK": "1", "BLOCKHOUSE_MACHINE_RUNS": MACHINE_RUNS, "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--tb=line", *tests]
    environment = {**os.environ, **more, "PYTHONPATH": str(root)}
    try:
        done = subprocess.run(
            command, cwd=root, env=environment, capture_output=True, text=True, timeout=PATIENCE_S, check=False
        )
    except subprocess.TimeoutExpired:
        return "did not end"
    if done.returncode == 0:
        return ""
    if done.returncode != 1:
        raise RuntimeError(f"the tests could not be run:\n{done.stdout[-3000:]}{done.stderr[-1000:]}")
    found = FAILED.search(done.stdout)
    name = found.group(1).split("::", 1)[-1] if found else "?"
    broken = re.search(r"AssertionError: (I\d+[^\n]*)", done.stdout)
    return broken.group(1)[:60] if broken and tests == [MACHINE + BITES] else name[:60]


def main() -> int:
    """Try the faults and print the table; returns how many were not caught."""
    words = " ".join(sys.argv[1:])
    chosen = [fault for fault in FAULTS if words in fault.name]
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copy_tree(Path(folder))
        sound = (_first_failure(Path(folder), list(EXAMPLES)), _first_failure(Path(folder), [MACHINE + BITES]))
    if any(sound):
        print(f"the tests fail without any fault: {sound}")
        return 1
    with ThreadPoolExecutor(2) as pool:
        results = []
        for result in pool.map(try_fault, chosen):
            results.append(result)
            mark = "caught    " if result.caught else "NOT CAUGHT"
            print(f"{mark}  {result.fault.name:<60}  {result.examples or '-':<60}  {result.machine or '-'}", flush=True)
    missed = [result for result in results if not result.caught]
    print(
        f"{len(results) - len(missed)} of {len(results)} faults caught: "
        f"{sum(bool(r.examples) for r in results)} by examples, "
        f"{sum(bool(r.machine) for r in results)} by the state machine; {time.monotonic() - began:.0f} s"
    )
    return len(missed)


if __name__ == "__main__":
    sys.exit(main())
