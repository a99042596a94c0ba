"""The simulated vehicle for rehearsals: its key, its start number, its port, its log of the truth."""

from __future__ import annotations

import json
import socket
import threading
import time
from itertools import pairwise
from pathlib import Path

import pytest

from protocol.bound import build_bound_frame
from protocol.link import NEED_DATA, Link, PacketReceived
from server.demo import Demo, TwinOptions, make_twin, run_twin
from server.shelf.onboard_log import read_log
from server.uplink.key_file import load_or_make_key
from tests.server.flights import dictionary

FAST = TwinOptions("gusty-rail", 1, 60.0, 5.0)


def test_every_start_has_a_new_boot_id_and_the_stations_key(tmp_path: Path) -> None:
    """I8 stands on it: a command to an earlier start must never reach a later one."""
    twins = [make_twin(dictionary(), tmp_path, FAST) for _ in range(3)]
    assert len({twin.boot_id for twin in twins}) == 3
    steps = {later.boot_id - twin.boot_id for twin, later in pairwise(twins)}
    assert all(abs(step) > 2**32 for step in steps), "nobody without the key can foretell the next one"
    assert twins[0]._key == load_or_make_key(tmp_path)


@pytest.mark.parametrize(("rate", "late_s", "obeyed"), [(1.0, 0.1, 0), (40.0, 100.0, 1), (40.0, 400.0, 0)])
def test_a_vehicle_that_flies_faster_gives_commands_as_long_by_our_clock(
    tmp_path: Path, rate: float, late_s: float, obeyed: int
) -> None:
    """Five vehicle seconds are an eighth of ours at 40 times, less than a busy machine needs from click to radio."""
    twin = make_twin(dictionary(), tmp_path, TwinOptions("calm", 1, rate, None))
    now_s = late_s + 5.0  # all frames were made some time after it was switched on
    twin.advance(now_s)
    uplink, ping = dictionary().uplink, dictionary().commands["ping"]
    until_ms = round((now_s - late_s) * 1000)
    key = load_or_make_key(tmp_path)
    frame = build_bound_frame(key, uplink.vehicle_id, twin.boot_id, dictionary().hash32, 1, until_ms, ping.code, b"")
    twin.uplink(frame)
    twin.advance(now_s + 2.0)
    assert len(twin.truth()["commands_executed"]) == obeyed


def test_a_demo_is_heard_at_its_address(tmp_path: Path) -> None:
    demo = Demo(dictionary(), tmp_path, FAST)
    demo.start()
    try:
        host, port = demo.url.removeprefix("socket://").split(":")
        link, heard = Link(dictionary()), set()
        with socket.create_connection((host, int(port)), 5) as station:
            station.settimeout(5)
            while len(heard) < 6:
                link.receive_data(station.recv(4096))
                while (event := link.next_event()) is not NEED_DATA:
                    if isinstance(event, PacketReceived):
                        heard.add(event.packet.name)
        assert "navigation" in heard and not demo.over()
    finally:
        demo.stop()


def test_over_a_little_after_landing(tmp_path: Path, monkeypatch) -> None:
    demo = Demo(dictionary(), tmp_path, TwinOptions("calm", 1, 4.0, 5.0))
    now = [100.0]
    monkeypatch.setattr("server.demo.time.monotonic", lambda: now[0])
    assert not demo.over()
    monkeypatch.setattr(type(demo.twin), "landed", property(lambda self: True))
    assert not demo.over()
    now[0] += 1.9
    assert not demo.over()
    now[0] += 0.2
    assert demo.over()  # 8 vehicle seconds at 4 times real time
    demo._listener._side.close()


def test_a_twin_alone_writes_the_truth_and_ends(tmp_path: Path) -> None:
    said: list[str] = []
    truth = tmp_path / "truth.json"
    begun = time.monotonic()
    code = run_twin(dictionary(), tmp_path, "socket://127.0.0.1:0", None, truth, "landed", FAST, said.append)
    assert code == 0 and time.monotonic() - begun < 15
    assert said[0].startswith("Simulated vehicle on socket://127.0.0.1:") and said[1] == "landed"
    assert 80 < json.loads(truth.read_text())["apogee_m"] < 160
    assert not [t for t in threading.enumerate() if t.name == "twin"]


def test_a_twin_behind_a_link_to_a_terminal_removes_it_in_the_end(tmp_path: Path) -> None:
    pytest.importorskip("pty", reason="pseudo-terminals exist on POSIX only")
    said: list[str] = []
    link = tmp_path / "radio"
    run_twin(dictionary(), tmp_path, "pty", link, None, "landed", TwinOptions("gusty-rail", 2, 120.0, 3.0), said.append)
    assert said[0] == f"Simulated vehicle on {link}" and not link.is_symlink()


def test_a_demo_writes_the_vehicles_own_log_on_a_clock_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "card.csv"
    demo = Demo(dictionary(), tmp_path, TwinOptions("calm", 4, 60.0, 1.0, onboard_log=path))
    demo.start()
    assert path.read_text() == "", "a place that cannot be written is noticed at the start"
    wait_until = time.monotonic() + 10
    while demo.twin.motion.time_s < 2.0 and time.monotonic() < wait_until:
        time.sleep(0.01)
    demo.stop()
    log = read_log(path)
    assert len(log.t) >= 200 and log.of_role("accel.a.z") is not None and abs(log.t[0]) > 0.1
    nowhere = Demo(dictionary(), tmp_path, TwinOptions("calm", 4, 60.0, 1.0, onboard_log=tmp_path / "none" / "card.csv"))
    with pytest.raises(OSError):
        nowhere.start()
    nowhere._listener.stop()
