"""Faults of session files: cut, flipped, from another version, huge, hostile."""

from __future__ import annotations

import random
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

from server.recording.pcapng import Direction, enhanced_packet
from server.recording.records import Kind
from server.recording.recover import recover
from server.recording.session_file import SessionError, open_session
from tests.browser.station import ROOT, Process
from tests.faults.case import Seen, case
from tests.server.recording.sessions import ENTRIES, bytes_of, entry, small_header, write_part


@case(
    "41",
    "session cut or flipped",
    "cut at every byte; 800 random flips (long: every bit)",
    "opens, invents nothing",
    long=2,
)
def cut_and_flipped(folder: Path, number: int) -> Seen:
    path, ends = write_part(folder, "flight", ENTRIES)
    data = path.read_bytes()
    whole = [tuple(record) for record in open_session(path).records]
    refused = silent = 0
    for cut in range(len(data)):
        path.write_bytes(data[:cut])
        refused += not _is_honest(path, whole)
    rng = random.Random(number)
    bits = range(8 * len(data)) if number else rng.sample(range(8 * len(data)), 800)
    for bit in bits:
        flipped = bytearray(data)
        flipped[bit // 8] ^= 1 << bit % 8
        path.write_bytes(flipped)
        if _is_honest(path, whole):
            session = open_session(path)
            silent += not session.damage and [tuple(record) for record in session.records] != whole
    assert silent == 0 and refused <= ends[0] + 1
    return Seen(f"{len(data)} cuts, {len(bits)} flips: 0 wrong, 0 unnoticed, {refused} cuts before the header refused")


def _is_honest(path: Path, whole: list[tuple]) -> bool:
    try:
        records = [tuple(record) for record in open_session(path).records]
    except SessionError as error:
        assert str(error).endswith(".")
        return False
    assert all(record in whole for record in records), "a record was invented"
    return True


@case(
    "42",
    "newer file, unknown record",
    "format 2 header; a record of kind 99",
    "refused in words; passed over, counted",
    short=0,
)
def newer(folder: Path, number: int) -> Seen:
    newer_path, _ = write_part(folder, "newer", ENTRIES, header=small_header(format_major=2))
    try:
        open_session(newer_path)
        raise AssertionError("a newer format was opened")
    except SessionError as error:
        sentence = str(error)
    path, _ = write_part(folder, "odd", [*ENTRIES, entry(99, 6, {})])
    session = open_session(path)
    assert session.unknown_kinds == 1 and len(session.records) == len(ENTRIES) + 2
    return Seen(sentence)


HUGE = """
import sys
from pathlib import Path
from server.recording.session_file import open_session
session = open_session(Path(sys.argv[1]))
middle = session.records[len(session.records) // 2]
# Not getrusage: its peak outlives exec, and the parent may be large.
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
peak = int(status["VmHWM"].split()[0]) // 1024
print(len(session.records), middle.sequence, peak, session.missing, len(session.damage))
"""


@case(
    "43",
    "huge session",
    "20 MB (long: 2 GB, 12 h of records) written, opened in a process",
    "bounded memory, seekable",
    long=2,
)
def huge(folder: Path, number: int) -> Seen:
    path, _ = write_part(folder, "flight", [])
    count, size = (400, 50_000) if number == 0 else (40_000, 50_000)
    payload = random.Random(1).randbytes(size)
    with path.open("ab") as file:
        for sequence in range(1, count + 1):
            one = entry(Kind.RECEIVED, sequence, payload, mono_ns=5_000_000_000_000 + sequence * 1_080_000_000)
            utc_ns = 1_750_000_000_000_000_000 + one.mono_ns - 5_000_000_000_000
            file.write(enhanced_packet(0, utc_ns, one.data, Direction.INBOUND))
    total_mb = path.stat().st_size / 1e6
    done = subprocess.run(
        [sys.executable, "-c", HUGE, str(path)], cwd=ROOT, capture_output=True, text=True, check=True, timeout=600
    )
    records, middle, peak_mb, missing, damage = map(int, done.stdout.split())
    path.unlink()
    assert (records, missing, damage) == (count + 1, 0, 0) and middle == (count + 1) // 2
    assert peak_mb < 250, peak_mb
    return Seen(f"{total_mb:.0f} MB: {records} records, the middle one read, peak memory {peak_mb} MB")


HOSTILE = "<script>alert(1)</script>../../\0\u202e" + "x" * 100_000


@case(
    "44",
    "hostile session",
    "HTML, ../ and 100 kB in every name; ../ in what is asked for",
    "text, bounded, no way out",
    short=0,
)
def hostile(folder: Path, number: int) -> Seen:
    sessions = folder / "home" / "sessions"
    header = small_header(
        vehicle={"name": HOSTILE}, site={"name": HOSTILE}, source=HOSTILE, software=HOSTILE,
        dictionary=(ROOT / "protocol" / "sandpiper.toml").read_text("utf-8"),
    )  # fmt: skip
    path, _ = write_part(
        sessions, "flight", [entry(Kind.MARK, 1, {"text": HOSTILE, "key": HOSTILE, "body": {HOSTILE: []}})], header=header
    )
    (folder / "secret.pcapng").write_bytes(path.read_bytes())
    station = Process(folder / "home", "replay", str(path), "--no-browser", "--http-port", "0")
    try:
        address = station.line(r"^Page: (http://\S+)")[1]
        shelf = urllib.request.urlopen(f"{address}api/sessions", timeout=30)
        assert shelf.headers["content-type"] == "application/json" and shelf.headers["x-content-type-options"] == "nosniff"
        columns = urllib.request.urlopen(f"{address}api/sessions/flight/columns", timeout=30)
        assert columns.headers["content-type"] == "application/octet-stream" and "script-src 'self'" in str(columns.headers)
        for name in ("..%2f..%2fsecret", "..%2fsecret", "%2e%2e/secret", "flight%00", "flight~2", "%2fetc%2fpasswd"):
            try:
                urllib.request.urlopen(f"{address}api/sessions/{name}/summary", timeout=30)
                raise AssertionError(f"{name} was served")
            except urllib.error.HTTPError as error:
                assert error.code in (404, 405), (name, error.code)
    finally:
        station.stop()
    return Seen("served as data with nosniff and the strict policy; 6 paths out refused")


@case(
    "41b",
    "half-broken file recovered",
    "200 random scars in a file of 2000 records, then recover",
    "clean copy, all proven",
    long=20,
)
def recovered(folder: Path, number: int) -> Seen:
    path, ends = write_part(folder, "flight", [entry(Kind.RECEIVED, n, b"%06d" % n * 10) for n in range(1, 2001)])
    data, rng = bytearray(path.read_bytes()), random.Random(number)
    for _ in range(200):
        start = rng.randrange(ends[0], len(data))
        data[start : start + rng.randrange(1, 40)] = rng.randbytes(1)
    path.write_bytes(data)
    expected = bytes_of(open_session(path))
    report = recover(path)
    copy = open_session(report.path)
    assert bytes_of(copy) == expected and not copy.damage and len(report.lost) > 50
    assert set(expected) <= {b"%06d" % n * 10 for n in range(1, 2001)}
    return Seen(f"{len(expected)} of 2000 records saved, the rest told")
