"""The command line as real processes: what scripts read, how it ends, and one plain sentence for every failure."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from server.cli.cli import COMMANDS, GROUPS, main
from server.recording.session_file import open_session
from server.review.review import open_review
from server.review.summary import summarize, summary_json
from server.settings import DEFAULT_HTTP_PORT, sample_folder
from server.version import version_line
from tests.browser.station import BUSY, ROOT, BareProcess, eventually
from tests.server.flights import flown, recorded

SAMPLE = sample_folder() / "calm.pcapng"
NO_PAGE = ("--no-browser", "--http-port", "0")
ENDS_WITHIN_S = 2.0  # tests/SOURCES.md, prompt-end
UPGRADE = """GET /ws/view HTTP/1.1
Host: 127.0.0.1:{0}
Origin: http://127.0.0.1:{0}
Upgrade: websocket
Connection: Upgrade
Sec-WebSocket-Version: 13
Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==

"""


def run(home: Path, *arguments: str, **more: object) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "server", *arguments],
        cwd=ROOT,
        env={**os.environ, "BLOCKHOUSE_HOME": str(home)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=30 * BUSY,
        check=False,
        **more,
    )


def summary_of(path: Path) -> dict:
    """Return a session's summary as a script gets it, made here: that the command prints it is a test of its own."""
    return json.loads(summary_json(summarize(open_review(path))))


def refused(home: Path, *arguments: str) -> str:
    """Run a command that must fail; return its one sentence."""
    ended = run(home, *arguments)
    return sentence_of(ended.returncode, ended.stderr)


def sentence_of(code: int, stderr: str) -> str:
    """Return the one sentence of a failure."""
    assert code == 1 and stderr.startswith("blockhouse: ") and stderr.endswith("\n"), (code, stderr)
    (line,) = stderr.splitlines()
    assert "Traceback" not in line and "Errno" not in line and len(line) < 400
    return line.removeprefix("blockhouse: ")


@pytest.fixture
def refused_here(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    """Like `refused`, without the half second that a process of its own takes; for commands that start nothing."""
    monkeypatch.setenv("BLOCKHOUSE_HOME", str(tmp_path))

    def refuse(*arguments: str) -> str:
        code = main(arguments)
        return sentence_of(code, capsys.readouterr().err)

    return refuse


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """A folder with every kind of file that is not what it should be."""
    (tmp_path / "empty.pcapng").touch()
    (tmp_path / "hello.pcapng").write_text("hello world")
    (tmp_path / "folder").mkdir()
    whole = SAMPLE.read_bytes()
    (tmp_path / "cut.pcapng").write_bytes(whole[:3000])
    (tmp_path / "half.pcapng").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "bad.toml").write_text("this is = = not TOML")
    (tmp_path / "other.toml").write_text('[project]\nname = "x"\n')
    (tmp_path / "cold.toml").write_text("[site]\ntemperature_k = 18.0\n")
    return tmp_path


# ---------------------------------------------------------------- refusals

SESSION_FILES = [
    ("none.pcapng", "none.pcapng."),
    ("folder", "folder cannot be read"),
    ("empty.pcapng", "empty.pcapng is empty"),
    ("hello.pcapng", "hello.pcapng is not a Blockhouse session."),
    ("cut.pcapng", "ends before its header was complete"),
]


@pytest.mark.parametrize(("name", "words"), SESSION_FILES, ids=[name for name, _ in SESSION_FILES])
def test_what_is_no_session_is_refused_by_every_command_that_reads_one(
    files: Path, refused_here: Callable[..., str], name: str, words: str
) -> None:
    path = str(files / name)
    assert words in refused_here("summary", path)
    assert words in refused_here("summary", path, "--json")
    assert words in refused_here("export", path, "--csv", str(files / "csv"))
    assert words in refused_here("replay", path, *NO_PAGE)
    assert not (files / "csv").exists() and not (files / "sessions").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("live", "--port", "nonsense://x"), "nonsense://x is not a port address Blockhouse understands"),
        (("live", "--port", "http://127.0.0.1"), "not a port address Blockhouse understands"),
        (("live", "--port", "x", "--dictionary", "{}/none.toml"), "none.toml: [file] cannot be read"),
        (("live", "--port", "x", "--dictionary", "{}/folder"), "folder: [file] cannot be read"),
        (("live", "--port", "x", "--dictionary", "{}/bad.toml"), "bad.toml: [file] is not valid TOML"),
        (("live", "--port", "x", "--dictionary", "{}/other.toml"), "other.toml: "),
        (("live", "--port", "x", "--sheet", "{}/none.toml"), "cannot be read: No such file"),
        (("live", "--port", "x", "--sheet", "{}/bad.toml"), "cannot be read"),
        (("live", "--port", "x", "--sheet", "{}/cold.toml"), "it is in kelvin, for example 291"),
        (("live", "--port", "x", "--keys", "{}/bad.toml"), "The command key"),
        (("live", "--port", "x", "--sessions", "{}/bad.toml"), "Choose another place for the sessions."),
        (("demo", "--sessions", "{}/bad.toml"), "Choose another place for the sessions."),
        (("demo", "--keys", "{}/bad.toml"), "The command key"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_a_station_that_cannot_start_says_why_and_records_nothing(
    files: Path, refused_here: Callable[..., str], arguments: tuple[str, ...], words: str
) -> None:
    before = sorted(files.rglob("*.pcapng"))
    assert words in refused_here(*[part.format(files) for part in arguments], *NO_PAGE)
    assert sorted(files.rglob("*.pcapng")) == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("twin", "--listen", "com7"), "com7 is not a place to listen at"),
        (("twin", "--listen", "socket://127.0.0.1:99999"), "is not a place to listen at"),
        (("twin", "--listen", "pty", "--link", "{}/folder"), "No pseudo-terminal can be made"),
        (("export", str(SAMPLE), "--csv", "{}/bad.toml"), "bad.toml: File exists."),
        (("export", str(SAMPLE), "--csv", "{}/bad.toml/csv"), "bad.toml/csv: Not a directory."),
        (("key", "--keys", "{}/bad.toml"), "The command key"),
        (("key", "--export", "{}/other.toml"), "The key cannot be written to"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_the_other_commands_say_why(
    files: Path, refused_here: Callable[..., str], arguments: tuple[str, ...], words: str
) -> None:
    assert words in refused_here(*[part.format(files) for part in arguments])


@pytest.mark.parametrize(
    "arguments",
    [
        ("nonsense",),
        ("sumary",),
        ("live",),
        ("summary",),
        ("twin",),
        ("export", "x"),
        ("demo", "--rate", "0"),
        ("demo", "--rate", "nan"),
        ("demo", "--rate", "fast"),
        ("demo", "--scenario", "none"),
        ("demo", "--http-port", "65536"),
        ("demo", "--http-port", "-1"),
        ("demo", "--seed", "1.5"),
    ],
    ids=" ".join,
)
def test_a_wrong_call_is_refused_in_one_sentence(arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    told = capsys.readouterr()
    assert ended.value.code == 2 and told.err.startswith("blockhouse") and told.out == ""
    assert told.err.count("\n") == 1 and told.err.endswith("--help.\n")


def test_an_incomplete_installation_is_told_before_anything_is_made(
    files: Path, refused_here: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("server.settings.find_spec", lambda name: None)
    assert "are not installed; install Blockhouse again." in refused_here("live", "--port", "x", *NO_PAGE)
    assert not (files / "sessions").exists() and not (files / "keys").exists()


@pytest.mark.parametrize("command", ["live", "demo", "replay"])
def test_the_port_of_the_page_is_taken(tmp_path: Path, command: str) -> None:
    """Fault 11: nothing is recorded by the second copy."""
    how = {"live": ("--port", "x"), "demo": (), "replay": (str(SAMPLE),)}[command]
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = str(other.getsockname()[1])
        sentence = refused(tmp_path, command, *how, "--no-browser", "--http-port", port)
    assert f"127.0.0.1:{port} is taken" in sentence and "--http-port" in sentence
    assert not (tmp_path / "sessions").exists()


def test_a_twin_on_a_port_that_is_taken(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        url = f"socket://127.0.0.1:{other.getsockname()[1]}"
        assert f"Cannot listen at {url}: " in refused(tmp_path, "twin", "--listen", url)


# ---------------------------------------------------------------- files


def test_version_and_help(tmp_path: Path) -> None:
    assert run(tmp_path, "--version").stdout == f"{version_line()}\n"
    told = run(tmp_path, "--help").stdout
    for command in ("demo", "live", "twin", "replay", "summary", "export", "key", "ports"):
        assert f"\n    {command} " in told
    assert "not a safety device" in " ".join(told.split())
    assert str(DEFAULT_HTTP_PORT) == "8731"


def test_nothing_asked_for_is_the_help_by_when_each_command_is_used(tmp_path: Path) -> None:
    told = run(tmp_path)
    assert (told.returncode, told.stderr) == (0, "") and told.stdout == run(tmp_path, "--help").stdout
    grouped = [name for _, names in GROUPS for name in names]
    assert sorted(grouped) == sorted(name for name, _, _ in COMMANDS), "every command once"
    places = [told.stdout.index(f"\n  {title}\n") for title, _ in GROUPS]
    assert places == sorted(places)
    for name in grouped:
        assert f"\n    {name} " in told.stdout


@pytest.mark.parametrize(("wrong", "near"), [("sumary", "summary"), ("port", "ports"), ("dr", None), ("Live", "live")])
def test_a_command_that_is_none_is_told_with_the_nearest(
    capsys: pytest.CaptureFixture[str], wrong: str, near: str | None
) -> None:
    with pytest.raises(SystemExit):
        main([wrong])
    told = capsys.readouterr().err
    assert f"there is no command {wrong!r}" in told
    assert (f"did you mean {near!r}?" in told) if near else ("did you mean" not in told)


def test_summary_of_a_flight_is_json_and_agrees_with_what_happened(tmp_path: Path) -> None:
    flight = flown()
    path = recorded(tmp_path, flight)
    ended = run(tmp_path, "summary", str(path), "--json")
    assert (ended.returncode, ended.stderr) == (0, "")
    summary = json.loads(ended.stdout, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    assert summary["apogee"]["height_m"] == pytest.approx(flight.truth["apogee_m"], rel=0.01)
    assert summary["closed"] and not summary["damage"] and summary["session"] == "flight"
    lines = run(tmp_path, "summary", str(path)).stdout.splitlines()
    assert lines[0] == "flight" and lines[1].startswith(summary["vehicle"])
    top = round(summary["apogee"]["height_m"])
    assert any(line.startswith("  Top ") and f" {top} " in line for line in lines)


def test_half_a_session_is_summarized_as_far_as_it_goes(files: Path) -> None:
    summary = json.loads(run(files, "summary", str(files / "half.pcapng"), "--json").stdout)
    whole = summary_of(SAMPLE)
    assert not summary["closed"] and len(summary["damage"]) == 1 and "half.pcapng at byte" in summary["damage"][0]
    assert 0.3 < summary["duration_s"] / whole["duration_s"] < 0.7


def test_export_names_its_files(tmp_path: Path) -> None:
    ended = run(tmp_path, "export", str(SAMPLE), "--csv", str(tmp_path / "csv"))
    written = sorted((tmp_path / "csv").iterdir())
    assert ended.returncode == 0
    # On a busy machine it takes longer than a second, and then says how far it is.
    assert all(line.endswith(" rows") or line.startswith("reading ") for line in ended.stderr.splitlines())
    assert sorted(ended.stdout.splitlines()) == [str(path) for path in written] and len(written) > 10
    rows = len((tmp_path / "csv" / "navigation.csv").read_text().splitlines()) - 1
    assert rows == summary_of(SAMPLE)["packets"]["navigation"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full exists on Linux only")
def test_output_that_cannot_be_written(tmp_path: Path) -> None:
    """To a full disk: one sentence; to a reader that left: silence. Never a traceback."""
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "server", "summary", str(SAMPLE)]
        told = subprocess.run(command, cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True, timeout=30, check=False)
    assert (told.returncode, told.stderr) == (1, "blockhouse: No space left on device.\n")
    reader, writer = os.pipe()
    os.close(reader)
    left = subprocess.run(command, cwd=ROOT, stdout=writer, stderr=subprocess.PIPE, text=True, timeout=30, check=False)
    os.close(writer)
    assert left.returncode != 0 and left.stderr == ""


def test_key_is_made_shown_by_its_fingerprint_only_and_exported_once(tmp_path: Path) -> None:
    first = run(tmp_path, "key")
    secret = (tmp_path / "keys" / "command.key").read_text().strip()
    assert first.returncode == 0 and secret not in first.stdout
    assert f"file: {tmp_path / 'keys' / 'command.key'}" in first.stdout
    assert run(tmp_path, "key").stdout == first.stdout
    out = tmp_path / "key.h"
    assert secret not in run(tmp_path, "key", "--export", str(out)).stdout
    numbers = [int(part, 16) for part in out.read_text().split("{")[1].split("}")[0].split(",")]
    assert bytes(numbers).hex() == secret
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert "File exists" in refused(tmp_path, "key", "--export", str(out))


def test_a_key_that_others_can_read_is_refused_with_the_remedy(tmp_path: Path, refused_here: Callable[..., str]) -> None:
    run(tmp_path, "key")
    key = tmp_path / "keys" / "command.key"
    key.chmod(0o644)
    for command in (
        ("key",),
        ("demo", *NO_PAGE),
        ("live", "--port", "x", *NO_PAGE),
        ("twin", "--listen", "socket://127.0.0.1:0"),
    ):
        assert f"chmod 600 {key}" in refused_here(*command)


def test_ports_tells_something(tmp_path: Path) -> None:
    ended = run(tmp_path, "ports")
    assert (ended.returncode, ended.stderr) == (0, "") and ended.stdout.strip()


# ---------------------------------------------------------------- running


@pytest.mark.terminal
def test_a_rehearsal_from_switch_on_to_summary(tmp_path: Path) -> None:
    """Twin and station are two processes on a pseudo-terminal; what the summary says is what the twin knows happened."""
    link, truth = tmp_path / "radio", tmp_path / "truth.json"
    sheet = ROOT / "server" / "design" / "sheets" / "sandpiper.toml"
    # The station first: on a busy machine it may take longer to start than the vehicle waits on the pad.
    station = BareProcess(tmp_path, "live", "--port", str(link), "--sheet", str(sheet), *NO_PAGE)
    try:
        station.line(r"^Operator's page .*#operator=[\w-]{43}$")
        twin = BareProcess(
            tmp_path, "twin", "--listen", "pty", "--link", str(link), "--truth", str(truth), "--seed", "5", "--rate", "10",
            "--ignite-after", "60",
        )  # fmt: skip
        try:
            assert twin.line(r"Simulated vehicle on (\S+)")[1] == str(link)
            twin.line("^landed$", 120)
            (recorded_at,) = (tmp_path / "sessions").glob("*.pcapng")
            deadline = time.monotonic() + 60  # as long as a busy machine may take to hear it
            while summarize(open_review(recorded_at))["landing_t"] is None and time.monotonic() < deadline:
                time.sleep(0.5)
        finally:
            twin.stop()
        assert not link.is_symlink()
    finally:
        path = Path(station.stop()[-1])
    assert station.process.returncode == 0
    happened = json.loads(truth.read_text())
    summary = summary_of(path)
    assert summary["apogee"]["height_m"] == pytest.approx(happened["apogee_m"], rel=0.01)
    assert summary["closed"] and not summary["damage"] and summary["landing_t"] is not None
    assert path.parent == tmp_path / "sessions" and summary["session"] == path.stem


def test_demo_quits_by_itself_when_landed(tmp_path: Path) -> None:
    sessions = tmp_path / "elsewhere"
    ended = run(
        tmp_path, "demo", "--rate", "15", "--seed", "2", "--ignite-after", "10", "--quit-when", "landed",
        "--sessions", str(sessions), *NO_PAGE,
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (0, "")
    first, *_, last = ended.stdout.splitlines()
    assert first.startswith("Simulated flight 'calm', seed 2.") and "not a safety device" in first
    (path,) = sessions.glob("*.pcapng")
    assert last == str(path)
    session = open_session(path)
    assert session.closed and session.header.source == "demo calm" and session.header.vehicle["simulated"] is True
    summary = summary_of(path)
    assert summary["landing_t"] is not None and summary["apogee"]["height_m"] > 100


def test_only_when_asked_does_a_demo_quit_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []
    looked: list[int] = []

    async def run_live(live: object, settings: object, *, until: Callable[[], bool], **more: object) -> Path:
        asked.append(until())
        return tmp_path

    monkeypatch.setattr("server.cli.demo.run_live", run_live)
    monkeypatch.setattr("server.cli.demo.Demo.over", lambda demo: bool(looked.append(1)))
    assert main(["demo", "--keys", str(tmp_path), *NO_PAGE]) == 0
    assert main(["demo", "--keys", str(tmp_path), "--quit-when", "landed", *NO_PAGE]) == 0
    assert asked == [False, False]  # nothing ends it by itself while the vehicle is on its pad
    assert looked == [1]  # and only the second one looks whether it has landed


@pytest.mark.parametrize(
    "signals",
    [(signal.SIGTERM,), (signal.SIGINT,), (signal.SIGHUP,), (signal.SIGINT, signal.SIGINT, signal.SIGTERM)],
    ids=lambda signals: "+".join(number.name for number in signals),
)
def test_a_signal_ends_the_station_in_order_and_in_time(tmp_path: Path, signals: tuple[signal.Signals, ...]) -> None:
    """Fault 48: the recording is closed and named; a second Ctrl-C changes nothing."""
    station = BareProcess(tmp_path, "demo", *NO_PAGE)
    port = station.line(r"Page: http://127\.0\.0\.1:(\d+)/")[1]
    idle = [socket.create_connection(("127.0.0.1", int(port))) for _ in range(3)]
    idle[0].sendall(UPGRADE.format(port).replace("\n", "\r\n").encode())  # a viewer that never reads
    assert idle[0].recv(12) == b"HTTP/1.1 101"
    eventually(lambda: any((tmp_path / "sessions").glob("*.pcapng")))
    time.sleep(0.3)  # some telemetry
    begun = time.monotonic()
    for number in signals:
        station.process.send_signal(number)
        time.sleep(0.05)
    assert station.process.wait(10) == 0
    # It means to end within ENDS_WITHIN_S; the rest is what a machine busy with other tests may add.
    assert time.monotonic() - begun < ENDS_WITHIN_S + 10.0
    lines = station.stop()
    for connection in idle:
        connection.close()
    session = open_session(Path(lines[-1]))
    assert session.closed and not session.damage
    assert not any("Traceback" in line or "Error" in line for line in lines), lines


def test_replay_serves_no_operator_and_leaves_the_folders_alone(tmp_path: Path) -> None:
    replay = BareProcess(tmp_path, "replay", str(SAMPLE), *NO_PAGE)
    replay.line(r"Page: http://127\.0\.0\.1:\d+/$")
    lines = replay.stop()
    assert replay.process.returncode == 0
    assert len(lines) == 2 and not any("operator" in line for line in lines)
    assert re.fullmatch(r"Keeper's page .*: http://127\.0\.0\.1:\d+/#shelf=[\w-]{43}", lines[1])
    assert not (tmp_path / "sessions").exists() and not (tmp_path / "keys").exists()


@pytest.mark.skipif(os.name != "posix", reason="a shell script stands for the browser")
@pytest.mark.parametrize("command", ["demo", "replay"])
def test_the_page_is_opened_in_the_browser(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str) -> None:
    browser, told = tmp_path / "browser", tmp_path / "told"
    browser.write_text(f'#!/bin/sh\nprintf %s "$1" > "{told}.new"; mv "{told}.new" "{told}"\n')
    browser.chmod(0o755)
    monkeypatch.setenv("BROWSER", str(browser))
    process = BareProcess(tmp_path, command, *([str(SAMPLE)] if command == "replay" else []), "--http-port", "0")
    try:
        page = process.line(r"Page: (\S+)")[1]
        eventually(told.exists)
        assert told.read_text() == process.line(rf"({page}#(operator|shelf)=\S+)")[1]
    finally:
        process.stop()
