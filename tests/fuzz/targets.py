"""What is fuzzed: functions of bytes that may end in a documented refusal and in nothing else."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.errors import DictionaryError
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import recorded_output
from server.json_text import to_json
from server.recording.records import Kind, Record
from server.recording.session_file import SessionError
from server.review.review import open_review
from server.shelf.onboard_log import read_log
from server.shelf.onboard_mapping import LogProblem
from server.telemetry.decoding import LiveDecoder, decode_recording

ROOT = Path(__file__).parents[2]
KEY = bytes(range(32))


@cache
def dictionaries() -> tuple[Dictionary, ...]:
    """Return one dictionary of every framing."""
    folder = ROOT / "protocol"
    return tuple(load_dictionary(path) for path in (None, folder / "wren.toml", folder / "plover.toml"))


@cache
def folder() -> Path:
    """Return a folder for the files that targets write."""
    return Path(tempfile.mkdtemp(prefix="fuzz-"))


def downlink(data: bytes) -> None:
    """Bytes from the radio, in pieces and at once: the same frames, packets and journal, in every framing."""
    if not data:
        return
    dictionary = dictionaries()[data[0] % len(dictionaries())]
    cut = 1 + data[-1] % 40
    pieces = [data[i : i + cut] for i in range(1, len(data), cut)]
    live = LiveDecoder(dictionary)
    rows = sum(len(table) for piece in pieces for table in live.decode(piece, 1.0).rows.values())
    batch, _ = decode_recording(dictionary, [(1.0, piece) for piece in pieces])
    assert rows == sum(len(table) for table in batch.rows.values())
    records = [Record(Kind.RECEIVED, i, i * 1000, piece) for i, piece in enumerate(pieces)]
    for entry in recorded_output(dictionary, records, 0).entries:
        to_json(entry.body)


def uplink(data: bytes) -> None:
    """Bytes at the vehicle: nothing without the key is ever an order."""
    link = VehicleLink(dictionaries()[0], KEY, 3)
    for heard in link.receive(data, 1000):
        assert type(heard).__name__ != "Order", "a frame nobody signed was taken for an order"


def dictionary(data: bytes) -> None:
    """A dictionary somebody wrote: loaded, or refused with file, table and key."""
    try:
        parse_dictionary(data.decode("utf-8", "replace"), "fuzz.toml")
    except DictionaryError as error:
        assert "fuzz.toml" in str(error)


def session(data: bytes) -> None:
    """A session file from anywhere: opened with its damage told, or refused with a sentence."""
    path = folder() / "fuzz.pcapng"
    path.write_bytes(data)
    try:
        review = open_review(path)
    except SessionError as error:
        assert str(error)
        return
    review.columns()


def onboard(data: bytes) -> None:
    """A log from a memory card: read, or refused with row and column."""
    path = folder() / "fuzz.csv"
    path.write_bytes(data)
    try:
        read_log(path)
    except LogProblem as error:
        assert str(error)


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target for target in (downlink, uplink, dictionary, session, onboard)
}


def seeds(target: str) -> list[bytes]:
    """Return what fuzzing of a target begins with: real bytes of its kind, and every case once found."""
    found = [path.read_bytes() for path in sorted((Path(__file__).parent / "found" / target).glob("*"))]
    return found + SEEDS[target]()


def _sample(name: str, most: int) -> bytes:
    return (ROOT / "replay_samples" / name).read_bytes()[:most]


def _received() -> list[bytes]:
    from tests.traffic import mixed_frames

    frames = mixed_frames(dictionaries()[0], 40)
    return [b"\0" + b"".join(frames) + b"\x07", b"\0" + frames[0] + b"\0", b"\1$TEL,1,2,3*11\n\3", b"\2\xaa\x55\x05abc\3"]


SEEDS: dict[str, Callable[[], list[bytes]]] = {
    "downlink": _received,
    "uplink": lambda: [piece[1:] for piece in _received()],
    "dictionary": lambda: [
        (ROOT / "protocol" / name).read_bytes() for name in ("sandpiper.toml", "wren.toml", "plover.toml")
    ],
    "session": lambda: [_sample("calm.pcapng", 40_000), _sample("bench-trial.pcapng", 60_000)],
    "onboard": lambda: [b"t,ax,alt\n0,1,2\n0.1,2,3\n0.2,nan,4\n", b"time (ms);accel_z\n0;1,5\n10;2\n", b"12.3 lift-off\n"],
}
