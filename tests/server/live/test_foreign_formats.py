"""Each sample of a foreign format through a real station on a pseudo-terminal: heard value for value, and safed."""

from __future__ import annotations

import contextlib
import os
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.bulk import decode_stream
from protocol.foreign.framings import foreign_framing
from server.recording.records import Kind
from server.recording.session_file import open_session
from tests.browser.station import Process, eventually
from tests.faults.pad import Operator, Watcher
from tests.protocol.foreign.formats import FOLDER, FORMATS, frames_of

FRAMES = 200


class Terminal:
    """A radio's end of a pseudo-terminal."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.heard = bytearray()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.master, 4096):
                self.heard += data

    def say(self, frames: list[bytes]) -> None:
        """Send frames in pieces that are none of theirs, slowly enough for the terminal."""
        data = b"".join(frames)
        for at in range(0, len(data), 37):
            os.write(self.master, data[at : at + 37])
            time.sleep(0.002)

    def close(self) -> None:
        """Pull it out."""
        os.close(self._slave)
        os.close(self.master)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    """A terminal, pulled out in the end."""
    made = Terminal()
    yield made
    made.close()


@pytest.mark.parametrize("name", FORMATS)
def test_a_station_hears_every_value_and_safes(name: str, terminal: Terminal, tmp_path: Path) -> None:
    dictionary = FORMATS[name]
    frames, sent = frames_of(dictionary, FRAMES)
    station = Process(
        tmp_path, "live", "--port", terminal.path, "--dictionary", str(FOLDER / f"{name}.toml"), "--no-browser",
        "--http-port", "0", "--sessions", str(tmp_path / "sessions"),
    )  # fmt: skip
    try:
        address, token = station.line(r"^Page: (http://\S+)")[1], station.line(r"#operator=(\S+)")[1]
        station.line("^Link waiting|^Link up")
        watcher = Watcher(address)
        terminal.say(frames)
        eventually(lambda: sum(watcher.counts.values()) >= FRAMES)
        link = watcher.link()
        operator = Operator(address, token)
        assert operator.ask("safe_all")["ok"]
        asked = foreign_framing(dictionary).command(dictionary.commands["safe_all"], {})
        eventually(lambda: bytes(asked) in terminal.heard)
        operator.close()
        watcher.close()
    finally:
        station.stop()
    assert not any(link[word] for word in ("damaged", "lost"))
    (path,) = (tmp_path / "sessions").glob("*.pcapng")
    data = b"".join(record.payload for record in open_session(path).records if record.kind == Kind.RECEIVED)
    assert data == b"".join(frames)
    decoded = decode_stream(dictionary, data)
    for packet, part in decoded.packets.items():
        rows = zip(*[column.tolist() for column in part.columns.values()], strict=True)
        said = [(packet, tuple(round(value, 6) for value in row)) for row in rows]
        assert said == [one for one in sent if one[0] == packet]
