"""kill -9 between any two steps of the key's and the counter's work: no value comes back, no key is without counter.

A small program of its own forks one child for each line of ours that the work runs through; the child kills
itself when it reaches that line. What was given out before the kill is noted through an unbuffered file, as a radio
would have sent it.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key
from server.uplink.key_names import KEY_FILE, fingerprint

ROOT = Path(__file__).resolve().parents[3]
POSIX = pytest.mark.skipif(not hasattr(os, "fork"), reason="kill -9 and fork exist on POSIX only")
PROGRAM = """
import json, os, signal, sys
from pathlib import Path
from server.uplink import counter_store, key_file, private_files

OURS = {module.__file__ for module in (counter_store, key_file, private_files)}

folder, work = Path(sys.argv[1]), sys.argv[2]
settings, copies, given = folder / "settings", folder / "copies", folder / "given"


def note(value):
    descriptor = os.open(given, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.write(descriptor, b"%d\\n" % value)
    os.close(descriptor)


def kill_at(step):
    seen = [0]

    def trace(frame, event, argument):
        if frame.f_code.co_filename not in OURS:
            return None
        if event == "line":
            seen[0] += 1
            if seen[0] == step:
                os.kill(os.getpid(), signal.SIGKILL)
        return trace

    sys.settrace(trace)


def take(step):
    store = counter_store.CounterStore(settings, key_file.load_or_make_key(settings, copies), copies)
    note(store.take())
    kill_at(step)
    value = store.take()
    sys.settrace(None)
    note(value)


def make(step):
    kill_at(step)
    key_file.load_or_make_key(folder / str(step), copies)
    sys.settrace(None)


def rotate(step):
    key_file.load_or_make_key(folder / str(step), copies)
    kill_at(step)
    key_file.rotate_key(folder / str(step), "1", copies)
    sys.settrace(None)


lost = [None, settings, copies]
for step in range(1, 1000):
    child = os.fork()
    if child == 0:
        {"take": take, "make": make, "rotate": rotate}[work](step)
        os._exit(0)
    status = os.waitpid(child, 0)[1]
    if not os.WIFSIGNALED(status):
        print(json.dumps({"steps": step - 1, "exit": os.WEXITSTATUS(status)}))
        break
    place = lost[step % 3] if work == "take" else None
    for file in place.glob("counter-*") if place else ():
        file.unlink()
"""


def killed_everywhere(folder: Path, work: str) -> int:
    """Run the work once for each of its steps, killed there; return how many there were."""
    command = [sys.executable, "-c", PROGRAM, str(folder), work]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0 and done.stdout, done.stderr
    result = json.loads(done.stdout)
    assert result["exit"] == 0, done.stderr
    return result["steps"]


@POSIX
def test_no_value_comes_back_wherever_a_station_is_killed_and_whichever_place_is_lost(tmp_path: Path) -> None:
    """I6."""
    steps = killed_everywhere(tmp_path, "take")
    given = [int(line) for line in (tmp_path / "given").read_text().split()]
    assert steps > 40, "the kill never came inside the work"
    assert len(given) == steps + 2, "each child gives one value before, the last one after too"
    assert given == sorted(set(given))


@POSIX
def test_a_key_killed_while_it_is_made_is_not_there_or_whole_and_can_count(tmp_path: Path) -> None:
    steps = killed_everywhere(tmp_path, "make")
    assert steps > 20
    there = 0
    for step in range(1, steps + 1):
        folder = tmp_path / str(step)
        there += (folder / KEY_FILE).exists()
        key = load_or_make_key(folder, tmp_path / "copies")
        assert CounterStore(folder, key, tmp_path / "copies").take() == 1
    assert 0 < there < steps, "killed both before and after the key appeared"


@POSIX
def test_killed_while_rotating_there_is_the_old_key_or_the_new_one_with_its_counter(tmp_path: Path) -> None:
    steps = killed_everywhere(tmp_path, "rotate")
    assert steps > 20
    rotated = 0
    for step in range(1, steps + 1):
        folder, copies = tmp_path / str(step), tmp_path / "copies"
        key = load_or_make_key(folder, copies)
        name = f"counter-{fingerprint(key)}"
        assert (folder / name).exists() and (copies / name).exists()
        kept = folder / f"{KEY_FILE}.1"
        rotated += kept.exists() and kept.read_text().strip() != key.hex()
        assert kept.exists() or step < steps, "the old key was kept before it was replaced"
    assert 0 < rotated < steps
