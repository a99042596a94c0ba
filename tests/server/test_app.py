"""The composition root: a whole station in this process, from the address it takes to the file it leaves."""

from __future__ import annotations

import asyncio
import gc
import re
import socket
import sys
from pathlib import Path

import httpx
import pytest

import server.app
import server.http.serving
from server.app import run_live, run_replay
from server.design.sheet_files import Sheets
from server.http.serving import SEND_BUFFER_BYTES, USER_TIMEOUT_MS, StartProblem, listening_socket, site_hosts
from server.live.start import Live
from server.recording.recorder_state import RecorderFailed
from server.recording.session_file import open_session
from server.settings import Settings
from server.uplink.key_names import KEY_FILE, KeyProblem
from server.version import software
from tests.server.flights import dictionary, flown, recorded

NOBODY = "socket://127.0.0.1:1"


def live(mode: str = "live") -> Live:
    return Live(dictionary(), Sheets({"name": "V"}, {"name": "S"}), NOBODY, 57600, mode, NOBODY)


def settings(folder: Path, port: int = 0) -> Settings:
    return Settings(folder / "sessions", folder / "keys", "127.0.0.1", port)


def test_listening_sockets_free_viewers_that_stopped_reading() -> None:
    """Both options together (tests/SOURCES.md, slow-viewers), and they are inherited by what is accepted."""
    with listening_socket("127.0.0.1", 0) as listener:
        # Linux gives twice what was asked for, for its own use.
        assert SEND_BUFFER_BYTES <= listener.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF) <= 4 * SEND_BUFFER_BYTES
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            assert listener.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == USER_TIMEOUT_MS


def test_what_is_accepted_sends_small_pieces_at_once() -> None:
    """An answer leaves in two pieces: held back, the second waits some 40 ms for the first one's acknowledgement."""
    told: list[int] = []

    async def accepted(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        told.append(writer.get_extra_info("socket").getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
        writer.close()

    async def go() -> None:
        async with await asyncio.start_server(accepted, sock=listening_socket("127.0.0.1", 0)) as server:
            host, port = server.sockets[0].getsockname()
            reader, writer = await asyncio.open_connection(host, port)
            await reader.read()
            writer.close()

    asyncio.run(go())
    assert told and told[0]


def test_address_taken_is_one_sentence() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(StartProblem, match=rf"The address 127.0.0.1:{port} is taken.*--http-port\.$"):
            listening_socket("127.0.0.1", port)


@pytest.mark.parametrize(
    ("host", "names"),
    [
        ("127.0.0.1", {"127.0.0.1:8731", "localhost:8731"}),
        ("localhost", {"127.0.0.1:8731", "localhost:8731"}),
        ("192.0.2.7", {"192.0.2.7:8731"}),
        ("Pad.Local", {"pad.local:8731"}),
    ],
)
def test_hosts_are_exact(host: str, names: set[str]) -> None:
    assert site_hosts(host, 8731) == names


def test_a_station_from_start_to_file(tmp_path: Path) -> None:
    said: list[str] = []
    links: list[str] = []
    seen: list[dict] = []

    def say(line: str) -> None:
        (links if line.startswith("Link ") else said).append(line)

    async def look_and_end() -> None:
        while len(said) < 2:
            await asyncio.sleep(0.01)
        async with httpx.AsyncClient() as http:
            seen.append((await http.get(said[0].removeprefix("Page: ") + "api/about")).json())

    async def go() -> Path:
        looking = asyncio.create_task(look_and_end())
        return await run_live(live(), settings(tmp_path), open_browser=False, say=say, until=looking.done)

    path = asyncio.run(go())
    assert seen == [{"version": seen[0]["version"], "mode": "live", "open": None, "shared": None, "units": "metric"}]
    assert re.fullmatch(r"Operator's page .*: http://127\.0\.0\.1:\d+/#operator=[\w-]{43}", said[1])
    assert links and links[0].startswith("Link missing: Nobody answers at")
    session = open_session(path)
    assert session.closed and not session.damage and session.header.source == NOBODY
    made_by = (session.header.software, session.header.git or "", session.header.dictionary_hash)
    assert made_by == (*software(), f"{live().dictionary.hash32:08x}") and seen[0]["version"] == made_by[0]
    key = (tmp_path / "keys" / KEY_FILE).read_bytes()
    token = said[1].rsplit("=", 1)[1].encode()
    assert key.strip() not in path.read_bytes() and token not in path.read_bytes()


@pytest.mark.parametrize(("spoiled", "problem"), [("keys", KeyProblem), ("sessions", RecorderFailed)])
def test_what_keeps_it_from_starting_is_raised_before_anything_is_served(
    tmp_path: Path, spoiled: str, problem: type[Exception], monkeypatch
) -> None:
    (tmp_path / spoiled).write_text("a file where a folder should be")
    said: list[str] = []
    with listening_socket("127.0.0.1", 0) as listener:
        monkeypatch.setattr(server.app, "listening_socket", lambda host, port: listener)
        with pytest.raises(problem):
            asyncio.run(run_live(live(), settings(tmp_path), open_browser=False, say=said.append, until=lambda: True))
    assert said == []


@pytest.mark.parametrize(("mode", "sessions"), [("live", 1), ("demo", 2)])
def test_after_a_crash_a_station_goes_on_and_a_demonstration_begins_anew(tmp_path: Path, mode: str, sessions: int) -> None:
    """Another demonstration is another vehicle. The crash: the file as it was while the station still ran."""
    while_running: dict[Path, bytes] = {}

    def until() -> bool:
        for path in (tmp_path / "sessions").glob("*.pcapng"):
            while_running[path] = path.read_bytes()
        return any(b"recording" in data for data in while_running.values())

    quietly = {"open_browser": False, "say": lambda text: None}
    first = asyncio.run(run_live(live(mode), settings(tmp_path), until=until, **quietly))
    first.write_bytes(while_running[first])
    assert not open_session(first).closed
    second = asyncio.run(run_live(live(mode), settings(tmp_path), until=lambda: True, **quietly))
    assert first != second
    assert len({open_session(path).header.session for path in (first, second)}) == sessions


def test_while_a_station_runs_threads_yield_to_the_loop_and_what_was_there_is_not_collected(tmp_path: Path) -> None:
    """What a judgement beside the loop costs it: bench `tests.bench.stalls`."""
    seen: list[tuple[float, int]] = []

    def until() -> bool:
        seen.append((sys.getswitchinterval(), gc.get_freeze_count()))
        return True

    before = (sys.getswitchinterval(), gc.get_freeze_count())
    asyncio.run(run_live(live(), settings(tmp_path), until=until, open_browser=False, say=lambda text: None))
    assert seen[0][0] <= 0.001 and seen[0][1] > 10_000
    assert (sys.getswitchinterval(), gc.get_freeze_count()) == before


def test_a_replay_has_a_keepers_link_only_and_opens_the_file_asked_for(tmp_path: Path, monkeypatch) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    recorded(folder, flown(), "mine")
    said: list[str] = []

    async def go() -> dict:
        running = asyncio.create_task(run_replay(settings(tmp_path), "mine", folder, open_browser=False, say=said.append))
        while not said:
            await asyncio.sleep(0.01)
        address = said[0].removeprefix("Page: ")
        async with httpx.AsyncClient() as http:
            about = (await http.get(address + "api/about")).json()
            names = [item["name"] for item in (await http.get(address + "api/sessions")).json()]
        servers[0].should_exit = True
        await running
        return {**about, "names": names}

    servers: list[server.http.serving._PageServer] = []
    real = server.http.serving._PageServer
    monkeypatch.setattr(server.http.serving, "_PageServer", lambda config: servers.append(real(config)) or servers[-1])
    about = asyncio.run(go())
    assert (about["mode"], about["open"]) == ("replay", "mine") and "mine" in about["names"]
    assert len(said) == 2 and not any("operator" in line for line in said) and "#shelf=" in said[1]
