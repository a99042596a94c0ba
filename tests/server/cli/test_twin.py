"""The simulated vehicle as a real process: what it cannot do is a sentence, and it never goes on as an empty shell."""

from __future__ import annotations

import stat
import sys
from importlib import resources
from pathlib import Path

import pytest

from server.log_file import LOG_NAME
from tests.browser.station import BareProcess
from tests.protocol.helpers import SANDPIPER
from tests.server.cli.test_cli import NO_PAGE, refused
from tests.server.firmware.build import program

ANYWHERE = ("--listen", "socket://127.0.0.1:0")
WREN = resources.files("protocol").joinpath("wren.toml").read_text("utf-8")


def written(folder: Path, text: str, old: str, new: str) -> str:
    """Write a dictionary with one thing changed; return its path."""
    assert old in text
    path = folder / "odd.toml"
    path.write_text(text.replace(old, new, 1), "utf-8")
    return str(path)


@pytest.mark.parametrize("rate", ["200", "150", "1e308"])
def test_a_packet_faster_than_the_vehicles_cycle_is_refused_at_the_start(tmp_path: Path, rate: str) -> None:
    path = written(tmp_path, SANDPIPER.text, "rate_hz = 20", f"rate_hz = {rate}")
    declared = f"{float(rate):g}"
    words = f"The packet navigation is declared at {declared} Hz; the simulated vehicle sends at most 100 Hz."
    assert refused(tmp_path, "twin", *ANYWHERE, "--dictionary", path) == words


def test_the_small_vehicle_refuses_it_too(tmp_path: Path) -> None:
    path = written(tmp_path, WREN, "rate_hz = 10", "rate_hz = 200")
    words = "is declared at 200 Hz; the simulated vehicle sends at most 100 Hz."
    assert refused(tmp_path, "twin", *ANYWHERE, "--dictionary", path).endswith(words)


@pytest.mark.parametrize("packet", ["startup", "event"])
def test_a_dictionary_without_what_the_vehicle_says_is_refused(tmp_path: Path, packet: str) -> None:
    path = written(tmp_path, SANDPIPER.text, f"[packet.{packet}]", "[packet.other]")
    assert f"needs a packet {packet};" in refused(tmp_path, "twin", *ANYWHERE, "--dictionary", path)


def test_a_vehicle_whose_thread_ends_by_an_exception_ends_the_program(tmp_path: Path) -> None:
    """A field nobody fills is noticed by the encoder, at the first frame, in the vehicle's thread."""
    field = '{ name = "extra", type = "f32" },\n  { name = "east", '
    path = written(tmp_path, SANDPIPER.text, '{ name = "east", ', field)
    words = refused(tmp_path, "twin", *ANYWHERE, "--dictionary", path)
    assert words == "The simulated vehicle has stopped: extra = None: is missing."


def dying_encoder(folder: Path) -> Path:
    """Return a program that passes the compiled encoder's first replies on and then ends, as a crash would."""
    path, real = folder / "dying", str(program("sandpiper"))
    path.write_text(
        f"#!{sys.executable}\n"
        "import struct, subprocess, sys\n"
        f"real = subprocess.Popen([{real!r}], stdin=subprocess.PIPE, stdout=subprocess.PIPE)\n"
        "for _ in range(200):\n"
        "    head = sys.stdin.buffer.read(5)\n"
        "    real.stdin.write(head + sys.stdin.buffer.read(struct.unpack('>cI', head)[1]))\n"
        "    real.stdin.flush()\n"
        "    size = real.stdout.read(4)\n"
        "    sys.stdout.buffer.write(size + real.stdout.read(struct.unpack('>I', size)[0]))\n"
        "    sys.stdout.buffer.flush()\n"
    )
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


@pytest.mark.parametrize("command", [("twin", *ANYWHERE), ("demo", *NO_PAGE)], ids=["twin", "demo"])
def test_an_encoder_that_ends_in_flight_ends_the_program(tmp_path: Path, command: tuple[str, ...]) -> None:
    process = BareProcess(tmp_path, *command, "--encoder", str(dying_encoder(tmp_path)))
    try:
        line = process.line("^blockhouse: ")
        assert process.process.wait(10) == 1
        assert "The simulated vehicle has stopped: " in line.string and "has ended" in line.string
    finally:
        lines = process.stop()
    assert not [text for text in lines if "Traceback" in text]
    if command[0] == "demo":  # what was recorded is kept, and told; how it came to it is in the log
        assert any(text.endswith(".pcapng") and Path(text).is_file() for text in lines)
        assert "EncoderProblem" in (tmp_path / "sessions" / LOG_NAME).read_text("utf-8")
