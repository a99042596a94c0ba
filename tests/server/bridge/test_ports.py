"""One plain sentence for each way a port does not open, by the error the system gives."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
import serial

import server.bridge.ports
from server.bridge.ports import PortFault, explain, found_ports, is_url_understood, names_no_hardware, open_port

DEVICE = "/dev/ttyUSB0"


def serial_error(number: int) -> serial.SerialException:
    """The exception pyserial raises from open, with the system's error in it."""
    return serial.SerialException(number, f"could not open port {DEVICE}: [Errno {number}] {os.strerror(number)}")


@pytest.mark.parametrize(
    ("number", "state", "words"),
    [
        (errno.EACCES, "denied", "No permission for /dev/ttyUSB0"),
        (errno.EPERM, "denied", "group that owns it"),
        (errno.EBUSY, "busy", "in use by another program"),
        (errno.EAGAIN, "busy", "in use by another program"),
        (errno.ENOENT, "missing", "is not there. Plug the radio in"),
        (errno.ENODEV, "missing", "is not there"),
        (errno.ENXIO, "missing", "is not there"),
    ],
)
def test_by_the_systems_error(number: int, state: str, words: str) -> None:
    """By number, because a test that runs as root is never refused a device."""
    problem = explain(DEVICE, serial_error(number))
    assert problem.state == state and words in problem.sentence


@pytest.mark.parametrize(
    ("url", "error", "state"),
    [
        (DEVICE, serial.SerialException("device reports readiness to read but returned no data"), "closed"),
        (DEVICE, OSError(errno.EIO, "Input/output error"), "closed"),
        (DEVICE, TypeError("'NoneType' object cannot be interpreted as an integer"), "closed"),
        ("COM5", serial.SerialException("could not open port 'COM5': PermissionError(13, 'Access is denied.')"), "denied"),
        ("COM5", serial.SerialException("could not open port 'COM5': FileNotFoundError(2, '...')"), "missing"),
        ("socket://h:1", serial.SerialException("Could not open port socket://h:1: [Errno 111] refused"), "missing"),
        ("nonsense://x", ValueError("invalid URL, protocol 'nonsense' not known"), "missing"),
    ],
)
def test_by_its_text(url: str, error: Exception, state: str) -> None:
    assert explain(url, error).state == state


@pytest.mark.parametrize("number", [n for n in errno.errorcode if n < 140])
def test_every_error_gives_one_line_with_the_port_in_it(number: int) -> None:
    problem: PortFault = explain(DEVICE, serial_error(number))
    assert problem.state in {"missing", "busy", "denied", "closed"}
    assert DEVICE in problem.sentence and "\n" not in problem.sentence and problem.sentence[-1] in ".s"


def test_a_file_that_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("hello")
    with pytest.raises(Exception) as caught:  # noqa: B017 - termios.error is no OSError on every version
        open_port(str(path), 57600)
    assert explain(str(path), caught.value).state == "missing"
    assert "not a serial port" in explain(str(path), caught.value).sentence


@pytest.mark.parametrize("url", ["/dev/ttyUSB0", "COM5", "socket://127.0.0.1:5000", "rfc2217://127.0.0.1:5000"])
def test_understood(url: str) -> None:
    assert is_url_understood(url) is None


@pytest.mark.parametrize("url", ["nonsense://x", "http://127.0.0.1"])
def test_not_understood(url: str) -> None:
    assert "is not a port address Blockhouse understands" in str(is_url_understood(url))


@pytest.mark.parametrize("url", ["", " "])
def test_a_port_without_a_name(url: str) -> None:
    """As from a script whose variable was empty: the station would look for it for ever."""
    assert "has no name" in str(is_url_understood(url))


def test_a_port_found_is_tried_and_told(monkeypatch) -> None:
    class Info:
        def __init__(self, device: str) -> None:
            self.device, self.description, self.serial_number = device, "radio", "A1"
            self.hwid, self.vid = "USB VID:PID=1209:0001", 0x1209

        def __lt__(self, other: Info) -> bool:
            return self.device < other.device

    monkeypatch.setattr(server.bridge.ports.list_ports, "comports", lambda: [Info("/dev/no-b"), Info("/dev/no-a")])
    found = found_ports()
    assert [port.device for port in found] == ["/dev/no-a", "/dev/no-b"]
    assert "is not there" in str(found[0].problem) and found[0].serial_number == "A1"
    assert not any(port.is_nameless for port in found)


@pytest.mark.parametrize(
    ("device", "hardware_id", "vendor", "nameless"),
    [
        ("/dev/ttyS0", "n/a", None, True),  # what Linux makes for a UART, whether or not there is a plug
        ("/dev/ttyS31", "", None, True),
        ("/dev/ttyS0", "PNP0501", None, False),
        ("/dev/ttyUSB0", "n/a", None, False),
        ("/dev/ttyAMA0", "n/a", None, False),  # the pins of a small board, where a radio may well sit
        ("/dev/ttyS0", "USB VID:PID=1209:0001", 0x1209, False),
        ("COM1", "n/a", None, False),
    ],
)
def test_a_port_without_hardware_is_known_by_naming_none(
    device: str, hardware_id: str, vendor: int | None, nameless: bool
) -> None:
    assert names_no_hardware(device, hardware_id, vendor) is nameless
