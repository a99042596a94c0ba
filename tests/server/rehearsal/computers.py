"""Flight computers at the end of a cable: the example as a process behind a pseudo-terminal, or on an emulated board."""

from __future__ import annotations

import os
import pty
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from server.firmware.flight_source import FLIGHT_FOLDER, emulator_command, host_command
from server.uplink.key_file import load_or_make_key
from server.uplink.key_names import KEY_FILE
from tests.browser.station import ROOT
from tests.server.firmware.flight_build import flight_folder, run_in

BENCH_ACTS = ("ground test", "enter")


def changed_program(
    folder: Path, file: str, old: str, new: str, before: str = "", fault: int = 0, side_motors: bool = False
) -> Path:
    """Compile the example for this computer with one place of its C changed, and `before` above all; returns the program."""
    copy = folder / "changed"
    shutil.copytree(flight_folder(), copy)
    source = copy / FLIGHT_FOLDER / file
    text = source.read_text()
    assert text.count(old) == 1, old
    source.write_text(before + text.replace(old, new))
    run_in(copy, host_command("changed", fault=fault, side_motors=side_motors))
    return copy / "changed"


@contextmanager
def at_terminal(program: Path, home: Path, more: Sequence[str] = ()) -> Iterator[str]:
    """Run a program at one end of a pseudo-terminal, with `more` arguments; yields the name of the other end."""
    load_or_make_key(home / "keys")
    near, far = pty.openpty()
    tty.setraw(far)
    command = [str(program), str(home / "keys" / KEY_FILE), str(home / "starts"), *more]
    process = subprocess.Popen(command, stdin=near, stdout=near)
    os.close(near)
    try:
        yield os.ttyname(far)
    finally:
        os.close(far)
        with suppress(subprocess.TimeoutExpired):
            process.wait(2)
        process.kill()
        process.wait()


@contextmanager
def on_board(image: Path, home: Path, monitor: bool = False) -> Iterator[str]:
    """Run an image on the emulated board, its serial port a TCP socket; yields the port's address.

    With `monitor` the emulator's own is reachable as well, by the address that the file `monitor` in `home` then holds.
    """
    key = load_or_make_key(home / "keys")
    number, other = free_ports()
    more = ["-monitor", f"tcp:127.0.0.1:{other},server=on,wait=off"] if monitor else []
    (home / "monitor").write_text(f"127.0.0.1:{other}")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "fc.key").write_text(key.hex())
        command = emulator_command(image, f"tcp:127.0.0.1:{number},server=on,wait=off,nodelay=on", more)
        process = subprocess.Popen(command, cwd=folder)
        try:
            end = time.monotonic() + 10.0
            while time.monotonic() < end and process.poll() is None:
                with suppress(OSError), socket.create_connection(("127.0.0.1", number)):
                    break
                time.sleep(0.05)
            yield f"socket://127.0.0.1:{number}"
        finally:
            process.terminate()
            process.wait(10)


def free_ports() -> tuple[int, int]:
    """Return the numbers of two ports that nobody uses now."""
    with socket.create_server(("127.0.0.1", 0)) as one, socket.create_server(("127.0.0.1", 0)) as other:
        return one.getsockname()[1], other.getsockname()[1]


def blockhouse(home: Path, *words: str, acts: Sequence[str] = (), within_s: float = 60.0) -> tuple[int, str, str]:
    """Run a command of the house with the acts on its standard input; returns exit code, stdout, stderr."""
    done = subprocess.run(
        [sys.executable, "-m", "server", *words, "--keys", str(home / "keys")],
        cwd=ROOT,
        env={**os.environ, "BLOCKHOUSE_HOME": str(home), "COLUMNS": "200"},
        input="".join(f"{act}\n" for act in acts),
        capture_output=True,
        text=True,
        timeout=within_s,
    )
    return done.returncode, done.stdout, done.stderr


def rehearse(home: Path, port: str, *words: str, acts: Sequence[str], within_s: float = 60.0) -> tuple[int, str, str]:
    """Run `blockhouse rehearse` over a port."""
    said = ("rehearse", "--port", port, "--acts-from-stdin", *words)
    return blockhouse(home, *said, acts=acts, within_s=within_s)
