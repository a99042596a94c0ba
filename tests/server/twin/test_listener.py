"""The twin behind a real socket and a real pseudo-terminal, opened by pyserial as the station does."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from protocol.framing import FrameSplitter
from server.twin.listener import ListenProblem, TwinListener
from tests.server.twin.helpers import Ground, Heard, answers, clean_twin, decode

pytestmark = pytest.mark.terminal


@contextmanager
def listening(where: str, **more) -> Iterator[tuple[TwinListener, Ground]]:
    twin = clean_twin()
    listener = TwinListener(twin, where, **{"rate": 20.0, **more})
    listener.start()
    try:
        yield listener, Ground(twin)
    finally:
        listener.stop()


def heard_until(port: serial.SerialBase, splitter: FrameSplitter, wanted, limit_s: float = 10.0) -> list[Heard]:
    """Read until `wanted(heard)` is true; the time limit only ends a broken test."""
    heard: list[Heard] = []
    ends = time.monotonic() + limit_s
    while time.monotonic() < ends:
        heard += decode(splitter, port.read(512))
        if wanted(heard):
            return heard
    raise AssertionError(f"not heard in {limit_s} s; {len(heard)} packets were")


def has_navigation(heard: list[Heard]) -> bool:
    return any(h.name == "navigation" for h in heard)


def test_socket_gives_packets_takes_commands_and_survives_a_client_that_leaves() -> None:
    with listening("socket://127.0.0.1:0", rate=5.0) as (listener, ground):
        for counter in (1, 2):
            port = serial.serial_for_url(listener.url, timeout=0.05)
            splitter = FrameSplitter()
            ground.heard += heard_until(port, splitter, has_navigation)
            port.write(ground.frame("ping"))
            heard_until(port, splitter, lambda heard, n=counter: ("completed", "none") in answers(heard, n))
            port.close()
        assert ground.twin.orders.executed == [(1, "ping"), (2, "ping")]
    assert listener.bytes_lost > 0  # before the first client and between the two


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals exist only on POSIX")
def test_pseudo_terminal_with_a_link(tmp_path: Path) -> None:
    link = tmp_path / "modem"
    with listening("pty", link=link) as (listener, ground):
        assert listener.url == str(link) and link.is_symlink()
        with serial.Serial(str(link), 57600, timeout=0.05) as port:
            splitter = FrameSplitter()
            heard_until(port, splitter, has_navigation)
            port.write(ground.frame("camera_power", camera=2, on=1))
            heard_until(port, splitter, lambda heard: any(h.values.get("camera_2_powered") == 1 for h in heard))
    assert not link.exists()


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals exist only on POSIX")
def test_an_unread_pseudo_terminal_never_blocks_the_twin() -> None:
    with listening("pty") as (listener, ground):
        ends = time.monotonic() + 10.0
        # A pseudo-terminal holds some kilobytes; what does not fit must be counted as lost, and time must go on.
        while listener.bytes_lost < 20000 and time.monotonic() < ends:
            time.sleep(0.01)
        assert listener.bytes_lost >= 20000
        assert ground.twin.vehicle_ms > 4000


@pytest.mark.parametrize("where", ["com7", "socket://127.0.0.1", "socket://127.0.0.1:x", "tcp://127.0.0.1:5"])
def test_places_that_make_no_sense(where: str) -> None:
    with pytest.raises(ListenProblem, match="socket://"):
        TwinListener(clean_twin(), where)


def test_a_port_that_is_taken() -> None:
    with listening("socket://127.0.0.1:0") as (listener, _):
        with pytest.raises(ListenProblem, match="Cannot listen"):
            TwinListener(clean_twin(), listener.url)
