"""The recorder in a process of its own: killed, at a file size limit, and watched from outside."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from server.recording.records import Kind
from server.recording.session_file import open_session
from tests.server.recording.sessions import bytes_of

ROOT = Path(__file__).parents[3]

COMMON = """
import sys
from pathlib import Path
from server.recording.clock import SystemClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from tests.server.recording.sessions import StateLog, header_for
clock, log = SystemClock(), StateLog()
def start(**options):
    return Recorder(Path(sys.argv[1]), "flight", header_for(clock), clock=clock, on_state=log, **options)
def say(word):
    sys.stdout.write(f"{word}\\n")
    sys.stdout.flush()
"""

FLAT_OUT = """
recorder = start()
while True:
    for _ in range(16):
        recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"x" * 64)
    say(recorder.append_synced(Kind.MARK, clock.monotonic_ns(), {}))
"""


def spawn(program: str, folder: Path) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", COMMON + program, str(folder)],
        cwd=ROOT, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip


@pytest.mark.parametrize("run", range(5))
def test_killed_at_any_moment_everything_vouched_for_is_there(tmp_path: Path, run: int) -> None:
    """kill -9 while it writes flat out, after a random number of acknowledgements (seeded)."""
    child = spawn(FLAT_OUT, tmp_path)
    acknowledged: list[int] = []
    assert child.stdout is not None
    for _ in range(random.Random(run).randrange(1, 120)):
        acknowledged.append(int(child.stdout.readline()))
    child.send_signal(signal.SIGKILL)
    acknowledged += [int(line) for line in child.stdout.read().splitlines() if line]
    child.communicate()
    session = open_session(tmp_path / "flight.pcapng")
    sequences = set(session.records.sequences.tolist())
    # Not only the acknowledged ones: all that was appended before them.
    assert sequences >= set(range(max(acknowledged) + 1))
    assert session.missing == 0 and not session.closed
    assert all("unfinished record" in damage.sentence for damage in session.damage)


def test_a_file_size_limit_is_survived_by_going_on_in_parts(tmp_path: Path) -> None:
    """RLIMIT_FSIZE: the system takes a part of a write, then refuses (EFBIG)."""
    child = spawn(
        """
import resource
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
recorder = start(retry_interval_s=0.001)
for number in range(300):
    recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"%06d" % number + b"x" * 94)
    if number % 20 == 19:
        log.wait_for(lambda states: states[-1] == "recording")
recorder.close()
say(recorder.state.sentence)
say("|".join(sorted(set(log.sentences))))
""",
        tmp_path,
    )
    out, _ = child.communicate(timeout=60)
    last, sentences = out.splitlines()
    assert last.startswith("Recording closed: flight~")
    assert "NOT RECORDING: the file has reached the system's size limit." in sentences
    session = open_session(tmp_path / "flight.pcapng")
    assert [int(payload[:6]) for payload in bytes_of(session)] == list(range(300))
    assert len(session.parts) >= 3 and session.closed and session.missing == 0
    assert all(path.stat().st_size <= 20_000 for path in session.parts)


def test_bytes_are_in_the_file_within_a_quarter_second(tmp_path: Path) -> None:
    """Seen from another process, and flushed to the medium in that time too."""
    child = spawn(
        """
recorder = start()
say(recorder.state.path)
for line in sys.stdin:
    recorder.append(Kind.RECEIVED, clock.monotonic_ns(), line.strip().encode())
""",
        tmp_path,
    )
    assert child.stdin is not None and child.stdout is not None
    path = Path(child.stdout.readline().strip())
    delays: list[float] = []
    for number in range(20):
        word = b"visible-%03d" % number
        begin = time.perf_counter()
        child.stdin.write(word.decode() + "\n")
        child.stdin.flush()
        while word not in path.read_bytes():
            assert time.perf_counter() - begin < 5.0
        delays.append(time.perf_counter() - begin)
    child.communicate()
    # The median, so that one hiccup of a loaded machine is no failure; typically it is about a millisecond.
    assert sorted(delays)[10] < 0.25


def test_a_flush_follows_within_a_quarter_second(tmp_path: Path) -> None:
    """By the recorder's own account: the time from the append to the end of the flush that covers it."""
    child = spawn(
        """
import threading
from server.recording.storage import PosixStorage
class Watched(PosixStorage):
    flushed = threading.Event()
    def sync_data(self, descriptor):
        super().sync_data(descriptor)
        self.flushed.set()
storage = Watched()
recorder = start(storage=storage)
for _ in range(5):
    storage.flushed.clear()
    begin = clock.monotonic_ns()
    recorder.append(Kind.RECEIVED, begin, b"x")
    assert storage.flushed.wait(10)
    say(clock.monotonic_ns() - begin)
recorder.close()
""",
        tmp_path,
    )
    out, _ = child.communicate(timeout=60)
    delays_s = sorted(int(line) / 1e9 for line in out.splitlines())
    assert len(delays_s) == 5 and delays_s[2] < 0.25
    assert open_session(tmp_path / "flight.pcapng").records.kinds.tolist().count(Kind.RECEIVED) == 5
