"""The bridge on real pseudo-terminals and sockets: unplugged, replugged, busy, blocked, flooded, stopped."""

from __future__ import annotations

import asyncio
import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
import serial
from serial import rfc2217

from protocol.link import NEED_DATA, Link, PacketReceived
from server.bridge.serial_bridge import PortState, SerialBridge
from tests.server.flights import dictionary
from tests.traffic import mixed_frames

pytestmark = pytest.mark.terminal

pty = pytest.importorskip("pty", reason="pseudo-terminals exist on POSIX only")
WITHIN_S = 3.0


class Plug:
    """A pseudo-terminal behind a fixed symbolic link, as udev gives a radio a fixed name."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = -1

    def plug_in(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        with suppress(FileNotFoundError):
            self.link.unlink()
        self.link.symlink_to(os.ttyname(slave))
        self._slave = slave

    def give(self, data: bytes) -> None:
        """Send as the vehicle: all of it, however long the other end takes."""
        while data:
            data = data[os.write(self.master, data) :]

    def take(self, size: int) -> bytes:
        """Return `size` bytes that the station wrote."""
        got = b""
        while len(got) < size:
            got += os.read(self.master, size - len(got))
        return got

    def pull(self) -> None:
        """Unplug: the master closes and the device's name is gone."""
        if self.master >= 0:
            os.close(self._slave)
            os.close(self.master)
            self.master = -1
            self.link.unlink()


class Log:
    """What a bridge told, from its thread, and a way to wait for it."""

    def __init__(self) -> None:
        self.chunks: list[tuple[int, bytes]] = []
        self.states: list[PortState] = []
        self._changed = threading.Condition()

    def on_chunk(self, mono_ns: int, chunk: bytes) -> None:
        with self._changed:
            self.chunks.append((mono_ns, chunk))
            self._changed.notify_all()

    def on_port(self, state: PortState) -> None:
        with self._changed:
            self.states.append(state)
            self._changed.notify_all()

    @property
    def data(self) -> bytes:
        return b"".join(chunk for _, chunk in self.chunks)

    def wait(self, wanted: Callable[[], bool], within_s: float = WITHIN_S) -> float:
        """Return the seconds until `wanted()`; fail when it does not come."""
        begun = time.monotonic()
        with self._changed:
            assert self._changed.wait_for(wanted, within_s), (self.states, len(self.data))
        return time.monotonic() - begun

    def wait_state(self, state: str, within_s: float = WITHIN_S) -> float:
        return self.wait(lambda: bool(self.states) and self.states[-1].state == state, within_s)


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    plug = Plug(tmp_path / "radio")
    plug.plug_in()
    yield plug
    plug.pull()


@contextmanager
def running(url: str) -> Iterator[tuple[SerialBridge, Log]]:
    log = Log()
    bridge = SerialBridge(url, 57600, monotonic_ns=time.monotonic_ns, on_chunk=log.on_chunk, on_port=log.on_port)
    bridge.start()
    try:
        yield bridge, log
    finally:
        begun = time.monotonic()
        bridge.stop()
        assert time.monotonic() - begun < 2.0


def sent(bridge: SerialBridge, frame: bytes) -> tuple[threading.Event, list[str | None]]:
    """Hand over a frame; the list gets the outcome."""
    done, outcome = threading.Event(), []

    def on_done(problem: str | None) -> None:
        outcome.append(problem)
        done.set()

    bridge.send(frame, on_done)
    return done, outcome


# ---------------------------------------------------------------- bytes


def test_bytes_come_whole_in_order_and_with_rising_times(plug: Plug) -> None:
    with running(str(plug.link)) as (_, log):
        log.wait_state("open")
        begun = time.monotonic_ns()
        expected = bytes(range(256)) * 40
        for start in range(0, len(expected), 500):
            plug.give(expected[start : start + 500])
        log.wait(lambda: len(log.data) >= len(expected))
        assert log.data == expected
        times = [ns for ns, _ in log.chunks]
        assert times == sorted(times) and begun <= times[0] and times[-1] <= time.monotonic_ns()


def test_a_backlog_comes_in_pieces_that_are_computed_in_one_turn(plug: Plug) -> None:
    """On a device and on a socket, where everything that waits could come in one read."""
    expected = bytes(range(250)) * 160
    with socket.create_server(("127.0.0.1", 0)) as listener:
        for url in (str(plug.link), f"socket://127.0.0.1:{listener.getsockname()[1]}"):
            with running(url) as (_, log):
                if url.startswith("socket"):
                    peer, _ = listener.accept()
                    log.wait_state("open")
                    peer.sendall(expected)
                else:
                    log.wait_state("open")
                    plug.give(expected)
                log.wait(lambda: len(log.data) >= len(expected))  # noqa: B023 - called before the next turn
                assert log.data == expected and max(len(chunk) for _, chunk in log.chunks) <= 1025
                if url.startswith("socket"):
                    peer.close()


def test_a_frame_is_written_as_it_is_and_told(plug: Plug) -> None:
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        frame = bytes(range(256))
        done, outcome = sent(bridge, frame)
        assert plug.take(len(frame)) == frame
        assert done.wait(WITHIN_S) and outcome == [None]


def test_an_idle_port_writes_at_once_not_at_the_next_time_out(plug: Plug) -> None:
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        for _ in range(5):
            time.sleep(0.03)  # let the reader go to sleep in its read
            begun = time.monotonic()
            sent(bridge, b"safe")
            assert plug.take(4) == b"safe"
            assert time.monotonic() - begun < 0.1


def test_text_of_a_booting_radio_is_handed_on_and_is_no_packet(plug: Plug) -> None:
    """Fault 17: many radios reset when their port is opened and then print a banner."""
    frames = mixed_frames(dictionary(), 20)
    with running(str(plug.link)) as (_, log):
        log.wait_state("open")
        plug.give(b"\r\nboot: radio 2.1\r\nready\r\n" + b"\0" + b"".join(frames))
        log.wait(lambda: log.data.endswith(frames[-1]))
    link = Link(dictionary())
    link.receive_data(log.data)
    events = []
    while (event := link.next_event()) is not NEED_DATA:
        events.append(event)
    assert sum(isinstance(event, PacketReceived) for event in events) == 20


def test_flood_of_200_kb_a_second_loses_nothing(plug: Plug) -> None:
    """Fault 25: ten times what the radio can carry, for two seconds."""
    with running(str(plug.link)) as (_, log):
        log.wait_state("open")
        piece, total = bytes(range(250)) * 8, 400_000
        begun = time.monotonic()
        for number in range(total // len(piece)):
            plug.give(piece)
            ahead_s = (number + 1) * len(piece) / 200_000 - (time.monotonic() - begun)
            time.sleep(max(0.0, ahead_s))
        log.wait(lambda: len(log.data) == total)
        assert log.data == piece * (total // len(piece))
        assert time.monotonic() - begun < 4.0


def test_event_loop_blocked_for_three_seconds_loses_nothing(plug: Plug) -> None:
    """Fault 26: 20 kB/s meanwhile; a reader inside the loop would have lost two thirds."""
    total = 60_000

    def vehicle() -> None:
        begun = time.monotonic()
        for number in range(total // 200):
            plug.give(bytes([number % 255 + 1]) * 200)
            time.sleep(max(0.0, (number + 1) * 0.01 - (time.monotonic() - begun)))

    async def station() -> bytes:
        loop, arrived = asyncio.get_running_loop(), bytearray()
        opened = asyncio.Event()
        bridge = SerialBridge(
            str(plug.link),
            57600,
            monotonic_ns=time.monotonic_ns,
            on_chunk=lambda ns, chunk: loop.call_soon_threadsafe(arrived.extend, chunk),
            on_port=lambda state: state.state == "open" and loop.call_soon_threadsafe(opened.set),
        )
        bridge.start()
        await asyncio.wait_for(opened.wait(), WITHIN_S)
        flying = threading.Thread(target=vehicle)
        flying.start()
        time.sleep(3.0)  # noqa: ASYNC251 - the fault itself
        await asyncio.to_thread(flying.join)
        for _ in range(100):
            await asyncio.sleep(0.02)
            if len(arrived) == total:
                break
        await asyncio.to_thread(bridge.stop)
        return bytes(arrived)

    assert asyncio.run(station()) == b"".join(bytes([n % 255 + 1]) * 200 for n in range(total // 200))


# ---------------------------------------------------------------- unplugged and replugged


def test_unplugged_is_told_within_a_second_and_replugged_under_another_device_is_found(plug: Plug) -> None:
    """Faults 12 and 13."""
    with running(str(plug.link)) as (_, log):
        log.wait_state("open")
        plug.give(b"before")
        log.wait(lambda: log.data == b"before")
        plug.pull()
        assert log.wait(lambda: log.states[-1].state != "open") < 1.0
        log.wait_state("missing")
        assert "is not there" in log.states[-1].sentence
        plug.plug_in()
        log.wait_state("open")
        plug.give(b"after")
        log.wait(lambda: log.data == b"beforeafter")


def test_unplugged_in_the_middle_of_a_frame_keeps_what_had_arrived(plug: Plug) -> None:
    with running(str(plug.link)) as (_, log):
        log.wait_state("open")
        plug.give(b"half a fra")
        log.wait(lambda: log.data == b"half a fra")
        plug.pull()
        log.wait(lambda: log.states[-1].state != "open")
        assert log.data == b"half a fra"


def test_a_frame_for_a_lost_port_is_refused_and_never_leaves_later(plug: Plug) -> None:
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        plug.pull()
        log.wait_state("missing")
        for _ in range(40):  # through many moments of closing, waiting and trying again
            done, outcome = sent(bridge, b"FIRE")
            assert done.wait(0.0) and outcome == ["the port is not open"]
            time.sleep(0.01)
        plug.plug_in()
        log.wait_state("open")
        done, outcome = sent(bridge, b"hello")
        assert plug.take(5) == b"hello" and done.wait(WITHIN_S) and outcome == [None]


def test_frames_handed_over_while_the_port_goes_are_each_told_one_outcome(plug: Plug) -> None:
    """The dangerous moment itself: sending all the time while the plug is pulled and put back, three times."""
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        written, told, going = [], [], True

        def sender() -> None:
            number = 0
            while going:
                number += 1
                frame = b"<%06d>" % number
                done, outcome = sent(bridge, frame)
                assert done.wait(WITHIN_S), "a frame was never told"
                told.append((time.monotonic(), frame, outcome))

        thread = threading.Thread(target=sender)
        thread.start()
        for _ in range(3):
            time.sleep(0.05)
            plug.pull()
            log.wait(lambda: log.states[-1].state != "open")
            time.sleep(0.05)
            plug.plug_in()
            log.wait_state("open")
            plugged = time.monotonic()
            os.set_blocking(plug.master, False)
            time.sleep(0.03)
            with suppress(BlockingIOError):
                written.append((plugged, os.read(plug.master, 1 << 16)))
        going = False
        thread.join()
    assert all(len(outcome) == 1 for _, _, outcome in told)
    refused = {frame for _, frame, outcome in told if outcome != [None]}
    assert refused and not [frame for _, data in written for frame in refused if frame in data]


def test_write_while_unplugged_is_reported(plug: Plug) -> None:
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        plug.pull()
        done, outcome = sent(bridge, b"safe")  # the reader may not know yet
        assert done.wait(WITHIN_S) and outcome[0]


def test_a_master_that_never_reads_times_the_write_out(plug: Plug) -> None:
    """Fault 16: whether the frame arrived is then unknown, and so it is told as a problem."""
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        begun = time.monotonic()
        done, outcome = sent(bridge, bytes(100_000))
        assert done.wait(WITHIN_S) and "writing to the port failed" in outcome[0]
        assert 0.3 < time.monotonic() - begun < 2.0


def test_only_one_frame_waits(plug: Plug) -> None:
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        outcomes = [sent(bridge, bytes(100_000)) for _ in range(4)]  # the first blocks in its write
        assert all(done.wait(WITHIN_S) for done, _ in outcomes)
        problems = [outcome[0] for _, outcome in outcomes]
        assert "the port is still busy with the frame before" in problems


def blocked(bridge: SerialBridge, size: int = 20_000) -> tuple[bytes, threading.Event, list[str | None]]:
    """Give the bridge a frame larger than the terminal holds; return when it hangs in its write."""
    frame = b"\xee" * size
    done, outcome = sent(bridge, frame)
    ends = time.monotonic() + WITHIN_S
    while not bridge._outgoing.empty():
        assert time.monotonic() < ends
        time.sleep(0.002)
    return frame, done, outcome


def test_safe_all_takes_the_place_of_the_frame_that_waits(plug: Plug) -> None:
    """I12: it is the next frame out, and what it replaced never leaves."""
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        before, _, _ = blocked(bridge)
        waiting, told = sent(bridge, b"<arm>")
        done, outcome = threading.Event(), []
        bridge.send(b"<safe>", lambda problem: (outcome.append(problem), done.set()), urgent=True)
        assert waiting.wait(0.0) and told == ["safe all took its place"]
        assert plug.take(len(before) + 6) == before + b"<safe>"
        assert done.wait(WITHIN_S) and outcome == [None]
        sent(bridge, b"<next>")
        assert plug.take(6) == b"<next>"


def test_a_frame_behind_one_that_fails_is_told_at_once_and_never_leaves(plug: Plug) -> None:
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        _, first, first_told = blocked(bridge)
        waiting, told = sent(bridge, b"<arm>")
        plug.pull()
        assert first.wait(WITHIN_S) and first_told[0]
        assert waiting.wait(0.5) and told == ["the port was lost"]  # and not only when the port is back
        plug.plug_in()
        log.wait_state("open")
        sent(bridge, b"<next>")
        assert plug.take(6) == b"<next>"


def test_a_frame_that_slipped_in_while_the_port_was_being_lost_does_not_leave_at_the_next_opening(plug: Plug) -> None:
    """The moment between the look at the port and the handing over cannot be hit on purpose, so it is acted out."""
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
        plug.pull()
        log.wait_state("missing")
        told: list[str | None] = []
        bridge._outgoing.put_nowait((b"<arm>", told.append))
        plug.plug_in()
        log.wait_state("open")
        sent(bridge, b"<next>")
        assert plug.take(6) == b"<next>"
        assert told == ["the port was lost"]


def test_a_radio_that_was_gone_for_long_is_found_as_soon(plug: Plug, monkeypatch: pytest.MonkeyPatch) -> None:
    """The tries must not grow rarer for ever (here with a tenth of the real longest pause)."""
    monkeypatch.setattr("server.bridge.serial_bridge.LAST_RETRY_S", 0.1)
    with running(str(plug.link)) as (_, log):
        log.wait_state("open")
        plug.pull()
        log.wait_state("missing")
        time.sleep(1.0)
        plug.plug_in()
        assert log.wait_state("open") < 0.35


def test_a_frame_waiting_at_the_end_is_refused(plug: Plug) -> None:
    with running(str(plug.link)) as (bridge, log):
        log.wait_state("open")
    done, outcome = sent(bridge, b"late")
    assert done.is_set() and outcome == ["the port is not open"]
    assert log.states[-1].state == "closed"


# ---------------------------------------------------------------- ports that do not open


def test_port_in_use_says_so_and_opens_when_it_is_free(plug: Plug) -> None:
    """Fault 14: somebody else holds the device exclusively."""
    other = serial.Serial(str(plug.link), exclusive=True)
    with running(str(plug.link)) as (_, log):
        log.wait_state("busy")
        assert "in use by another program" in log.states[-1].sentence
        other.close()
        log.wait_state("open")


def test_two_bridges_on_one_device(plug: Plug) -> None:
    """Fault 11: the second copy of the station finds the port busy."""
    with running(str(plug.link)) as (_, first):
        first.wait_state("open")
        with running(str(plug.link)) as (_, second):
            second.wait_state("busy")
            plug.give(b"mine")
            first.wait(lambda: first.data == b"mine")
            assert second.data == b""


def test_missing_device_is_told_once_not_at_every_try(tmp_path: Path) -> None:
    with running(str(tmp_path / "nothing")) as (_, log):
        log.wait_state("missing")
        time.sleep(0.5)
        assert [state.state for state in log.states] == ["missing"]


# ---------------------------------------------------------------- sockets


def listen() -> socket.socket:
    return socket.create_server(("127.0.0.1", 0))


def address(listener: socket.socket) -> str:
    return f"socket://127.0.0.1:{listener.getsockname()[1]}"


def test_socket_both_ways_and_the_peer_going() -> None:
    listener = listen()
    with running(address(listener)) as (bridge, log):
        peer, _ = listener.accept()
        log.wait_state("open")
        data = os.urandom(70_000)
        peer.sendall(data)
        log.wait(lambda: len(log.data) == len(data))
        assert log.data == data
        done, outcome = sent(bridge, b"\x00up\xff")
        assert peer.recv(16) == b"\x00up\xff" and done.wait(WITHIN_S) and outcome == [None]
        peer.close()
        assert log.wait(lambda: log.states[-1].state != "open") < 1.0
        again, _ = listener.accept()
        log.wait_state("open")  # pyserial throws away what comes before that
        again.sendall(b"back")
        log.wait(lambda: log.data.endswith(b"back"))
        again.close()
    listener.close()


def test_nobody_at_the_socket() -> None:
    listener = listen()
    url = address(listener)
    listener.close()
    with running(url) as (_, log):
        log.wait_state("missing")
        assert log.states[-1].sentence.startswith(f"Nobody answers at {url}")


def test_a_port_that_opens_and_fails_at_once_is_tried_ever_more_slowly() -> None:
    """Two stations on one twin throw each other out; that must not fill the journal twenty times a second."""
    listener = listen()
    listener.settimeout(0.05)
    with running(address(listener)):
        begun, accepted = time.monotonic(), 0
        while time.monotonic() - begun < 2.0:
            with suppress(TimeoutError):
                listener.accept()[0].close()
                accepted += 1
    listener.close()
    assert 3 <= accepted <= 8


@pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning", "ignore:setName:DeprecationWarning")  # pyserial's own
def test_rfc2217_through_pyserials_own_server(plug: Plug) -> None:
    """A serial port over the network; then its far end dies without a word (fault 15 is the watchdog's)."""
    far_end = _WithoutModemLines(str(plug.link), timeout=0.05)
    listener = listen()

    def serve() -> None:
        peer, _ = listener.accept()
        manager = rfc2217.PortManager(far_end, _Writer(peer))
        peer.settimeout(0.02)
        with peer:
            while True:
                with suppress(TimeoutError):
                    data = peer.recv(1024)
                    if not data:
                        return
                    far_end.write(b"".join(manager.filter(data)))
                waiting = far_end.read(far_end.in_waiting)
                if waiting:
                    peer.sendall(b"".join(manager.escape(waiting)))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    with running(address(listener).replace("socket", "rfc2217")) as (bridge, log):
        log.wait_state("open")
        plug.give(b"\xff\x00\xffdown")
        log.wait(lambda: log.data == b"\xff\x00\xffdown")
        done, outcome = sent(bridge, b"up\xff\xff")
        assert plug.take(4) == b"up\xff\xff" and done.wait(WITHIN_S) and outcome == [None]
    thread.join(WITHIN_S)
    assert not thread.is_alive()
    far_end.close()
    listener.close()


class _WithoutModemLines(serial.Serial):
    """A pseudo-terminal has no DTR and RTS; the far end of a real rfc2217 port has."""

    def _update_dtr_state(self) -> None:
        """Nothing to set."""

    def _update_rts_state(self) -> None:
        """Nothing to set."""

    cts = dsr = ri = cd = property(lambda self: True)


class _Writer:
    """What pyserial's PortManager writes its answers to."""

    def __init__(self, peer: socket.socket) -> None:
        self.write = peer.sendall
