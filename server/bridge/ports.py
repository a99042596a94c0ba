"""Serial ports: opening any pyserial URL, and saying in one plain sentence why it did not work."""

from __future__ import annotations

import errno
import re
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports

READ_TIMEOUT_S = 0.2
WRITE_TIMEOUT_S = 0.5


@dataclass(frozen=True, slots=True)
class PortFault:
    """Why a port is not open: a state for the page and a sentence that says what to do."""

    state: str  # "missing", "busy", "denied" or "closed"
    sentence: str


class OpenPort(Protocol):
    """What is asked of an open port; pyserial's classes for devices, sockets and RFC 2217 share no type that says it."""

    timeout: float | None

    def fileno(self) -> int:
        """Return the number of the open file; raises OSError where there is none."""
        ...

    @property
    def in_waiting(self) -> int:
        """How many bytes have arrived."""
        ...

    def read(self, size: int = ..., /) -> bytes:
        """Return up to `size` bytes, fewer when the time-out ends it."""
        ...

    def write(self, b: bytes, /) -> int | None:
        """Send."""
        ...

    def close(self) -> None:
        """Give it back."""
        ...


def open_port(url: str, baud: int) -> OpenPort:
    """Open `url` (a device, socket://host:port, rfc2217://host:port); raises what pyserial raises.

    A device is opened for this process alone. Opening may reset a board whose reset line hangs on DTR; DTR and RTS are
    left raised, as the operating system does, so that a modem that needs them works.
    """
    port = serial.serial_for_url(url, do_not_open=True, timeout=READ_TIMEOUT_S)
    if not url.lower().startswith("rfc2217://"):  # pyserial refuses a write time-out there
        port.write_timeout = WRITE_TIMEOUT_S
    port.baudrate = baud
    if hasattr(port, "fileno") and "://" not in url:
        port.exclusive = True
    port.open()
    return port


def explain(url: str, error: BaseException) -> PortFault:
    """Return what went wrong with a port, for a person."""
    number = getattr(error, "errno", None)
    text = str(error).lower()
    if number in (errno.EACCES, errno.EPERM) or "permission" in text and "exclusively" not in text:
        advice = "Add yourself to the group that owns it (often dialout) and log in again."
        return PortFault("denied", f"No permission for {url}. {advice}")
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text or "busy" in text:
        advice = "Close that program; Blockhouse keeps trying."
        return PortFault("busy", f"{url} is in use by another program. {advice}")
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "no such file" in text or "could not open port" in text:
        if "://" in url:
            return PortFault("missing", f"Nobody answers at {url}. Start the other end; Blockhouse keeps trying.")
        return PortFault("missing", f"{url} is not there. Plug the radio in, or see the list from: blockhouse ports")
    if "could not configure port" in text or number == errno.ENOTTY:
        return PortFault("missing", f"{url} is not a serial port. See the list from: blockhouse ports")
    if isinstance(error, ValueError):
        return PortFault("missing", f"{url} is not a port address Blockhouse understands: {error}.")
    return PortFault("closed", f"{url} was lost ({error}). Check the cable; Blockhouse keeps trying.")


def is_url_understood(url: str) -> str | None:
    """Return a sentence when `url` can never be opened, or None; nothing is opened."""
    if not url.strip():
        return "The port has no name; see the list from: blockhouse ports"
    try:
        place = urlsplit(url)
        if place.scheme in ("socket", "rfc2217") and not (place.hostname and place.port):
            return f"{url} is not a port address Blockhouse understands: it needs a host and a port, socket://host:port."
        serial.serial_for_url(url, do_not_open=True)
    except (ValueError, serial.SerialException) as error:
        return f"{url} is not a port address Blockhouse understands: {error}."
    return None


@dataclass(frozen=True, slots=True)
class FoundPort:
    """One port of this machine: device, what it says it is, stable name, and whether it can be opened now.

    `is_nameless`: built in and naming no hardware, so that nobody can tell whether anything is behind it.
    """

    device: str
    description: str
    serial_number: str | None
    problem: str | None
    is_nameless: bool = False


def names_no_hardware(device: str, hardware_id: str | None, usb_vendor: int | None) -> bool:
    """Tell whether a port is one that Linux makes for every UART its board could have: ttyS with no hardware named."""
    return re.fullmatch(r"/dev/ttyS\d+", device) is not None and usb_vendor is None and hardware_id in (None, "", "n/a")


def found_ports() -> list[FoundPort]:
    """Return the serial ports of this machine, each tried by opening and closing it."""
    found = []
    for info in sorted(list_ports.comports()):
        problem = None
        try:
            open_port(info.device, 57600).close()
        except (OSError, ValueError) as error:
            problem = explain(info.device, error).sentence
        description = "" if info.description in (None, "n/a") else info.description
        is_nameless = names_no_hardware(info.device, info.hwid, info.vid)
        found.append(FoundPort(info.device, description, info.serial_number, problem, is_nameless))
    return found
