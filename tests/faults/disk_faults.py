"""Faults of the machine under the recording: killed, cut off, full, read-only, slow, failing at the N-th operation."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import random
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from server.recording.clock import SystemClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_file import Session, open_session
from server.recording.storage import PosixStorage
from tests.browser.station import ROOT, Process, eventually
from tests.faults.case import Seen, case
from tests.faults.pad import Pad
from tests.server.recording.sessions import FaultyStorage, bytes_of, header_for
from tests.server.recording.test_recorder_faults import check_truth, fly, session_in

PROMISED_S = 0.25
EXT4_SHUTDOWN = 0x8004587D  # _IOR('X', 125, __u32), the kernel's EXT4_IOC_SHUTDOWN
NO_LOG_FLUSH = 2


# ---------------------------------------------------------------- killed


@case(
    "1", "process killed", "kill -9 of the station under 40 kB/s at a random moment; restarted every tenth time",
    "opens, only the tail torn, all older than 0.25 s; restart: new part, nothing armed, nothing sent", short=6, long=200,
)  # fmt: skip
def killed(folder: Path, number: int) -> Seen:
    """The 0.25 s are widened by what the machine itself stood still, as seen by a thread that does nothing else."""
    pad = Pad(folder, rate_hz=200)
    try:
        rng = random.Random(number)
        ada = pad.operator() if number % 3 == 0 else None
        if ada is not None:
            assert ada.arm()["ok"]
        pad.worst_stall_s = 0.0
        time.sleep(rng.uniform(0.0, 1.0))
        killed_s = time.monotonic()
        pad.station.process.kill()
        pad.station.process.wait()
        pad.talking = False
        with pad._lock:
            sent, log = bytes(pad.sent[0]), list(pad.sent_log)
        session = pad.session()
        recorded = b"".join(bytes_of(session))
        assert sent.startswith(recorded), "what is recorded is not what was sent"
        assert all("unfinished record" in damage.sentence for damage in session.damage), session.damage
        assert session.missing == 0
        due = max((count for at, count in log if at < killed_s - PROMISED_S - pad.worst_stall_s), default=0)
        oldest_s = next((killed_s - at for at, count in log if count > len(recorded)), 0.0)  # below 0: sent after it
        if number % 10 == 0:
            _restarted(pad, session)
        KILLED_AGES_S.append(oldest_s)
        words = f"the oldest byte lost was written {max([0.0, *KILLED_AGES_S]) * 1000:.1f} ms before the kill"
        return Seen(words, max(0, due - len(recorded)))
    finally:
        pad.close()


KILLED_AGES_S: list[float] = []


def _restarted(pad: Pad, before: Session) -> None:
    """Start again on the same folder: the session goes on in a new part, with nothing ready and nothing sent."""
    heard = len(pad.heard)
    pad.station.stop()
    pad.station = pad.start_station()
    pad.talking = True
    watcher = pad.watcher()
    eventually(lambda: watcher.beat.get("link", {}).get("state") == "up", 20)
    watcher.close()
    session = pad.session()
    assert len(session.parts) == 2 and session.header.session == before.header.session
    assert len(pad.heard) == heard, "something was sent after the restart"


# ---------------------------------------------------------------- power

POWER = """
import sys
from pathlib import Path
from server.recording.clock import SystemClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from tests.server.recording.sessions import header_for
clock = SystemClock()
recorder = Recorder(Path(sys.argv[1]), "flight", header_for(clock), clock=clock)
import time
number = 0
while True:
    for _ in range(4):
        recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"%08d" % number + b"x" * 92)
        number += 1
    if number % 40 == 0:
        recorder.append_synced(Kind.MARK, clock.monotonic_ns(), {})
    print(number, clock.monotonic_ns(), recorder.state.synced_ns, flush=True)
    time.sleep(0.01)
"""


@case(
    "2", "power cut", "ext4 on a loop device, shut down without log flush, mounted again (without root: un-synced bytes "
    "dropped in the storage seam)", "all older than 0.25 s, no invented record", long=20,
)  # fmt: skip
def power_cut(folder: Path, number: int) -> Seen:
    try:
        with _loop_disk(folder) as remount:
            return _cut_loop(folder / "disk", remount, number)
    except (PermissionError, FileNotFoundError, subprocess.CalledProcessError):
        return _cut_seam(folder, number)


@contextlib.contextmanager
def _loop_disk(folder: Path) -> Iterator[object]:
    image, place = folder / "image", folder / "disk"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(24 << 20)
    _run("mkfs.ext4", "-q", "-F", str(image))
    _run("mount", "-o", "loop", str(image), str(place))
    try:

        def remount() -> None:
            _run("umount", str(place))
            _run("mount", "-o", "loop", str(image), str(place))

        yield remount
    finally:
        subprocess.run(["umount", str(place)], capture_output=True)


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)


def _cut_loop(place: Path, remount: object, number: int) -> Seen:
    child = subprocess.Popen(
        [sys.executable, "-c", POWER, str(place / "s")],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    lines = [child.stdout.readline()]
    until = time.monotonic() + random.Random(number).uniform(0.3, 2.0)
    while time.monotonic() < until:
        lines.append(child.stdout.readline())
    descriptor = os.open(place, os.O_RDONLY)
    cut_ns = time.monotonic_ns()
    fcntl.ioctl(descriptor, EXT4_SHUTDOWN, NO_LOG_FLUSH.to_bytes(4, sys.byteorder))
    os.close(descriptor)
    child.kill()
    lines += child.stdout.read().splitlines()
    child.communicate()
    remount()
    told = [tuple(map(int, line.split())) for line in lines if len(line.split()) == 3]
    return _judge_cut(place / "s" / "flight.pcapng", told, cut_ns, "ext4 shut down")


def _judge_cut(path: Path, told: list[tuple[int, ...]], cut_ns: int, how: str) -> Seen:
    """`told` has (records so far, when, time of the last flush by the recorder's word); times are monotonic, in ns.

    A record counts as due when it was handed over before a flush began that the recorder said had ended before the cut.
    """
    session = open_session(path)
    numbers = [int(payload[:8]) for payload in bytes_of(session)]
    assert numbers == list(range(len(numbers))), "out of order or invented"
    before = [line for line in told if line[1] <= cut_ns]
    flushes = sorted({synced_ns for _, _, synced_ns in before})
    due = max((count for count, at_ns, _ in before if len(flushes) > 1 and at_ns <= flushes[-2]), default=0)
    oldest_ns = next((at_ns for count, at_ns, _ in before if count > len(numbers)), cut_ns)
    CUT_AGES_S.append((cut_ns - oldest_ns) / 1e9)
    kept = sum(age_s <= PROMISED_S for age_s in CUT_AGES_S)
    words = f"{how}; oldest record lost {max(CUT_AGES_S) * 1000:.0f} ms old, within 250 ms in {kept} of {len(CUT_AGES_S)}"
    return Seen(words, max(0, due - len(numbers)) * 100)


CUT_AGES_S: list[float] = []


class LosingStorage(PosixStorage):
    """A disk that keeps what was not synced in memory, and forgets it when the power goes."""

    def __init__(self) -> None:
        self.waiting: dict[int, bytearray] = {}
        self.cut = False

    def write(self, descriptor: int, data: bytes) -> int:
        """Take it, without putting it on the disk."""
        self.waiting.setdefault(descriptor, bytearray()).extend(data)
        return len(data)

    def sync_data(self, descriptor: int) -> None:
        """Put what waits on the disk, unless the power is gone."""
        if self.cut:
            raise OSError(errno.EIO, "no power")
        os.write(descriptor, bytes(self.waiting.pop(descriptor, b"")))
        super().sync_data(descriptor)


def _cut_seam(folder: Path, number: int) -> Seen:
    storage, clock = LosingStorage(), SystemClock()
    recorder = Recorder(folder / "s", "flight", header_for(clock), clock=clock, storage=storage)
    told = []
    for count in range(4 * random.Random(number).randint(10, 60)):
        recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"%08d" % count + b"x" * 92)
        told.append((count + 1, clock.monotonic_ns(), recorder.state.synced_ns))
        time.sleep(0.005)
    storage.cut, cut_ns = True, time.monotonic_ns()
    recorder.close()
    return _judge_cut(folder / "s" / "flight.pcapng", told, cut_ns, "by the seam: un-synced bytes dropped")


# ---------------------------------------------------------------- full


@contextlib.contextmanager
def _small_disk(folder: Path, *options: str) -> Iterator[Path]:
    """A tmpfs of 1 MB; PermissionError where the machine does not allow it."""
    place = folder / "small"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", *options, "tmpfs", str(place)], capture_output=True)
    if done.returncode:
        raise PermissionError("no mount allowed")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], capture_output=True)


@case(
    "6", "disk full", "1 MB tmpfs filled up, then given room (without root: a file size limit)",
    "live goes on, NOT RECORDING told, hazardous refused; resumes with what was kept", long=10,
)  # fmt: skip
def disk_full(folder: Path, number: int) -> Seen:
    try:
        with _small_disk(folder, "-o", "size=1m") as place:
            return _fill(folder, place / "sessions", place / "filler")
    except PermissionError:
        return file_limit(folder, number)


def _fill(folder: Path, sessions: Path, filler: Path) -> Seen:
    pad = Pad(folder, sessions=sessions, rate_hz=50)
    try:
        watcher, ada = pad.watcher(), pad.operator()
        armed = ada.arm()
        assert armed["ok"]
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while True:
                file.write(b"x" * 4096)
        sentence = watcher.wait_for("NOT RECORDING: the disk is full")
        _refused_while_live(pad, watcher, ada, armed)
        filler.unlink()
        eventually(lambda: watcher.beat["recording"]["state"] == "recording", 20)
        ada.close()
        watcher.close()
        assert pad.hazardous_frames() == 0
        return Seen(f"'{sentence.partition('.')[0]}', live went on, resumed in a new part", pad.lost())
    finally:
        pad.close()


def _refused_while_live(pad: Pad, watcher: object, ada: object, armed: dict) -> None:
    """While nothing is recorded the flight is still shown, and nothing hazardous leaves."""
    shown = watcher.counts.get("control", 0)
    eventually(lambda: watcher.counts.get("control", 0) > shown + 10, 20)
    eventually(lambda: watcher.beat.get("recording", {}).get("state") == "stopped", 20)
    assert "NOT RECORDING" in watcher.beat["recording"]["sentence"]
    ada.ask("confirm", id=armed["id"], command="board_release", args={})

    def end() -> str | None:
        states = [e["body"]["state"] for e in watcher.journal if e["topic"] == "command" and e["key"] == armed["id"]]
        return states[-1] if states and states[-1] not in ("armed", "queued", "preparing") else None

    eventually(lambda: end() is not None, 20)
    assert pad.hazardous_frames() == 0, "a hazardous frame left without its record"


@case("7", "file-size limit", "RLIMIT_FSIZE of the running station", "as 6, in ever new parts", short=0, long=5)
def file_limit(folder: Path, number: int) -> Seen:
    pad = Pad(folder, rate_hz=100)
    try:
        watcher = pad.watcher()
        size = max(file.stat().st_size for file in pad.sessions.iterdir())
        limit = max(60_000, size + 4_000)
        resource.prlimit(pad.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
        watcher.wait_for("NOT RECORDING: the file has reached the system's size limit")
        eventually(lambda: len(list(pad.sessions.glob("*~2.pcapng"))) == 1, 20)
        resource.prlimit(pad.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        eventually(lambda: watcher.beat["recording"]["state"] == "recording", 20)
        watcher.close()
        return Seen(f"{len(pad.session().parts)} parts", pad.lost())
    finally:
        pad.close()


@case("8", "read-only directory", "read-only tmpfs (without root: mode 0555)", "one sentence at the start, another place")
def read_only(folder: Path, number: int) -> Seen:
    with contextlib.ExitStack() as stack:
        try:
            place = stack.enter_context(_small_disk(folder, "-o", "ro"))
        except PermissionError:
            place = folder / "locked"
            place.mkdir(mode=0o555)
        arguments = ["live", "--port", str(folder / "radio"), "--sessions", str(place), "--no-browser", "--http-port", "0"]
        station = Process(folder / "home", *arguments)
        assert station.process.wait(30) == 1
        station.process.stdout.close()
        eventually(lambda: any("Choose another place" in line for line in station.lines), 5)
        return Seen(next(line for line in station.lines if "Choose" in line).replace(str(place), "DIR"))


# ---------------------------------------------------------------- failing


@case(
    "9", "fsync fails once", "the N-th create, write, flush fails (EIO, ENOSPC, EFBIG, EINTR, short), once, for all N",
    "that file never used again; all vouched for is there", short=0, long=1,
)  # fmt: skip
def fails_once(folder: Path, number: int) -> Seen:
    return _nth(folder, for_ever=False)


@case("9a", "disk fails for ever", "as 9, and every later operation too", "all vouched for is there", short=0, long=1)
def fails_for_ever(folder: Path, number: int) -> Seen:
    return _nth(folder, for_ever=True)


def _nth(folder: Path, for_ever: bool) -> Seen:
    """Fail the N-th operation for N = 3, 4, ... until a whole session passes (tests/SOURCES.md, nth-failure)."""
    runs = 0
    for how in (errno.EIO, errno.ENOSPC, errno.EFBIG, errno.EINTR, "short"):
        for fail_at in range(3, 60):
            place, storage = folder / f"{how}-{fail_at}", FaultyStorage(fail_at, how, for_ever)
            _, vouched, everything = fly(storage, place)
            session = session_in(place)
            assert session is not None
            check_truth(session, vouched, everything)
            assert storage.used_after_failure == 0
            assert for_ever or bytes_of(session) == everything
            runs += 1
            shutil.rmtree(place)
            if fail_at >= len(storage.operations) or for_ever and fail_at > 12:
                break
    return Seen(f"{runs} sessions, nothing vouched for is missing")


class SlowStorage(PosixStorage):
    """A disk whose flush takes its time."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds

    def sync_data(self, descriptor: int) -> None:
        """Flush late."""
        time.sleep(self.seconds)
        super().sync_data(descriptor)


@case(
    "10",
    "slow disk",
    "each flush takes 2 s (storage seam)",
    "callers unaffected, backlog shown, nothing lost",
    short=0,
    long=3,
)
def slow_disk(folder: Path, number: int) -> Seen:
    clock = SystemClock()
    recorder = Recorder(folder, "flight", header_for(clock), clock=clock, storage=SlowStorage(2.0))
    worst_s, backlog = 0.0, 0
    for count in range(400):
        begun = time.perf_counter()
        recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"%06d" % count)
        worst_s = max(worst_s, time.perf_counter() - begun)
        backlog = max(backlog, recorder.state.backlog)
        time.sleep(0.002)
    session = open_session(recorder.close(30.0))
    assert bytes_of(session) == [b"%06d" % count for count in range(400)] and session.closed and backlog > 50
    return Seen(f"backlog up to {backlog}, longest append {worst_s * 1000:.1f} ms")


@case("47", "memory pressure", "RLIMIT_AS just above what it uses, then a flood", "file valid, whatever ends", long=5)
def no_memory(folder: Path, number: int) -> Seen:
    pad = Pad(folder, rate_hz=50)
    try:
        with open(f"/proc/{pad.pid}/statm") as statm:
            used = int(statm.read().split()[0]) * resource.getpagesize()
        resource.prlimit(pad.pid, resource.RLIMIT_AS, (used + (1 << 20), resource.RLIM_INFINITY))
        until = time.monotonic() + 2.0
        while time.monotonic() < until and pad.station.process.poll() is None:
            pad._put(b"".join(pad.frame("navigation") for _ in range(50)))
            time.sleep(0.01)
        ended = pad.station.process.poll() is not None
        session = pad.session()
        recorded = b"".join(bytes_of(session))
        assert bytes(pad.sent[0]).startswith(recorded) and recorded
        assert pad.hazardous_frames() == 0
        return Seen("ended, file valid" if ended else "went on, file valid")
    finally:
        with contextlib.suppress(subprocess.TimeoutExpired):
            pad.close()


COPIES = 20


@case(
    "1b", "copied at any instant", f"the live file copied {COPIES} times while it is written at 20 kB/s",
    "each copy opens, is a prefix, has all that was synced before", long=10,
)  # fmt: skip
def copied(folder: Path, number: int) -> Seen:
    pad = Pad(folder, rate_hz=100)
    rng, missing = random.Random(number), 0
    try:
        source = next(pad.sessions.glob("*.pcapng"))
        for copy in (folder / f"copy{n}.pcapng" for n in range(COPIES)):
            time.sleep(rng.uniform(0.0, 0.1))
            with pad._lock:
                stalled, pad.worst_stall_s = pad.worst_stall_s, 0.0
                begun, log = time.monotonic(), list(pad.sent_log)
            shutil.copyfile(source, copy)
            session = open_session(copy)
            recorded = b"".join(bytes_of(session))
            with pad._lock:
                assert bytes(pad.sent[0]).startswith(recorded)
            assert all("unfinished record" in damage.sentence for damage in session.damage)
            due = max((count for at, count in log if at < begun - PROMISED_S - stalled), default=0)
            missing += max(0, due - len(recorded))
        return Seen(f"{COPIES} copies open, each a prefix of what was sent", missing)
    finally:
        pad.close()
