"""What is called out of the ten simulated flights, as text: `python -m tests.web.test_calls` writes the files anew."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from server.twin.scenarios import scenario_names
from tests.server.flight.twin_flights import heard

HERE = Path(__file__).parent
CALLS = HERE / "calls"


def calls_of(name: str, folder: Path) -> str:
    """Return the calls of one flight of a scenario, a line each: seconds from lift-off, words, tone."""
    entries = heard(name).entries
    zero = next(entry.number("t") for entry in entries if (entry.topic, entry.key) == ("moment", "lift_off"))
    journal = folder / f"{name}.json"
    journal.write_text(json.dumps({"zero": zero, "entries": [entry.as_dict(i) for i, entry in enumerate(entries)]}))
    node = shutil.which("node")
    assert node is not None, "node is needed for the page's tests; .ci/run installs it"
    done = subprocess.run([node, HERE / "calls.js", journal], capture_output=True, text=True, timeout=60, check=True)
    return done.stdout


@pytest.mark.parametrize("name", scenario_names())
def test_a_flight_is_called_as_written(name: str, tmp_path: Path) -> None:
    assert calls_of(name, tmp_path) == (CALLS / f"{name}.txt").read_text(encoding="utf-8")


def test_nothing_is_called_that_nobody_can_promise() -> None:
    words = " ".join(file.read_text(encoding="utf-8").lower() for file in CALLS.glob("*.txt"))
    assert not {"safe", "clear", "go", "disarmed", "predicted"} & set(words.replace(",", " ").split())


if __name__ == "__main__":
    import tempfile

    CALLS.mkdir(exist_ok=True)
    for each in scenario_names():
        with tempfile.TemporaryDirectory() as scratch:
            (CALLS / f"{each}.txt").write_text(calls_of(each, Path(scratch)), encoding="utf-8")
