"""A few viewers on real sockets of a real server: a slow one, a stuck one and one that leaves delay nobody."""

from __future__ import annotations

import socket

import pytest

from tests.browser.station import eventually
from tests.faults.pad import Pad
from tests.faults.people_faults import answer_line, raw_viewer, up


@pytest.fixture(scope="module")
def pad(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    pad = Pad(tmp_path_factory.mktemp("viewers"))
    yield pad
    pad.close()


def sent_rounds(pad: Pad, count: int) -> None:
    for _ in range(count):
        with pad._lock:
            pad.send(b"".join(pad.frame("navigation") for _ in range(20)))


def test_neither_viewers_nor_the_recorder_wait_for_one_that_is_stuck_or_leaves_in_a_message(pad: Pad) -> None:
    stuck = [raw_viewer(pad, receive_bytes=4096) for _ in range(2)]
    leaving = raw_viewer(pad)
    assert "101" in answer_line(leaving)
    watchers = [pad.watcher() for _ in range(3)]
    up(watchers[0])
    sent_rounds(pad, 10)
    leaving.recv(10)  # in the midst of a message
    leaving.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
    leaving.close()
    sent_rounds(pad, 90)
    pad.talking = False
    for watcher in watchers:
        eventually(lambda: watcher.counts.get("navigation", 0) >= 2000, 30)  # noqa: B023 - waited for at once
    assert pad.lost() == 0
    assert [watcher.counts["navigation"] for watcher in watchers] == [2000] * 3
    for plain in stuck:
        plain.close()
    for watcher in watchers:
        watcher.close()
