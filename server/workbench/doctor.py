"""`blockhouse doctor`: is this computer fit for a launch? Each thing looked at is fine, a problem with its fix, or unknown.

Nothing is changed; a scratch file is written beside the sessions and removed. What cannot be told on this system is said
to be unknown, with what to look at by hand. Limits are common practice, no source, except where a constant says more.
"""

from __future__ import annotations

import os
import secrets
import shutil
import stat
import statistics
import subprocess
import sys
import time
import webbrowser
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from server.bridge.ports import FoundPort, found_ports
from server.problems import reason
from server.recording.storage import PosixStorage, Storage
from server.uplink.key_names import KEY_FILE

OK, PROBLEM, UNKNOWN = "ok", "problem", "unknown"

ROOM_AT_LEAST_BYTES = 500_000_000  # about seven hours of a full 57 600 baud radio with its framing
SYNC_AT_MOST_S = 0.1  # the recorder flushes every 0.1 s; a slower disk loses more than the promised 0.25 s in a power cut
SYNCS = 20
SYNC_BYTES = 4096  # what a full radio brings between two flushes, with room
PYTHON_AT_LEAST = (3, 11)
_HOUR_S = 3600.0
# What Python's own `webbrowser` (3.11 to 3.13) looks for on a display, without those that no system ships any more.
_DRAWING = (
    "x-www-browser", "firefox", "firefox-esr", "google-chrome", "google-chrome-stable", "chrome", "chromium",
    "chromium-browser", "microsoft-edge", "epiphany", "konqueror", "opera",
)  # fmt: skip
_LID_FILES = ("/etc/systemd/logind.conf", *(f"{place}/systemd/logind.conf.d" for place in ("/etc", "/run", "/usr/lib")))


@dataclass(frozen=True, slots=True)
class DoctorFinding:
    """One thing looked at: what it is, "ok", "problem" or "unknown", what was found, and what to do about it."""

    what: str
    state: str
    found: str
    fix: str = ""


def examine(sessions: Path, keys: Path, every_port: bool = False) -> list[DoctorFinding]:
    """Look at everything, in the order in which it is needed on the field; of nameless ports only where asked for."""
    return [
        python(sys.version_info[:3]),
        *serial_ports(port for port in found_ports() if every_port or not port.is_nameless),
        disk_room(sessions),
        disk_speed(sessions),
        clock(time.time(), newest_file_s(Path(__file__).parents[1]), Path("/run/systemd/timesync/synchronized").exists()),
        browser(),
        *key_files(keys),
        *sleep_settings(),
    ]


def python(version: Sequence[int]) -> DoctorFinding:
    """Look at the version of Python."""
    text = ".".join(map(str, version))
    if tuple(version[:2]) < PYTHON_AT_LEAST:
        return DoctorFinding("Python", PROBLEM, f"{text} is too old.", "Install Python 3.11 or newer.")
    return DoctorFinding("Python", OK, text)


def serial_ports(ports: Iterable[FoundPort]) -> list[DoctorFinding]:
    """Look at every serial port that is plugged in."""
    found = [
        DoctorFinding(f"port {port.device}", PROBLEM if port.problem else OK, port.problem or opened_text(port.description))
        for port in ports
    ]
    return found or [DoctorFinding("ports", UNKNOWN, "none is plugged in.", "Plug the radio in and run this again.")]


def opened_text(description: str) -> str:
    """Return the words for a port that can be opened, with what it says it is where it says so."""
    return f"can be opened ({description})" if description else "can be opened"


def _existing(folder: Path) -> Path:
    """Return the folder, or the nearest one above it that exists."""
    return next(place for place in (folder, *folder.absolute().parents) if place.is_dir())


def disk_room(sessions: Path, usage: Callable[[Path], tuple[int, int, int]] = shutil.disk_usage) -> DoctorFinding:
    """Look at the room where sessions are recorded."""
    free = usage(_existing(sessions))[2]
    if free < ROOM_AT_LEAST_BYTES:
        return DoctorFinding(
            "disk room", PROBLEM, f"{free / 1e6:.0f} MB are left for {sessions}.", "Make room, or choose another --sessions."
        )
    return DoctorFinding("disk room", OK, f"{free / 1e9:.1f} GB are left for {sessions}")


def disk_speed(
    sessions: Path, storage: Storage | None = None, now_s: Callable[[], float] = time.perf_counter
) -> DoctorFinding:
    """Write and flush as the recorder does, into a scratch file, and look at how long it takes."""
    storage = storage or PosixStorage()
    place = _existing(sessions) / f".doctor-{secrets.token_hex(4)}"
    times: list[float] = []
    try:
        descriptor = storage.create(place)
        try:
            for _ in range(SYNCS):
                begun = now_s()
                storage.write(descriptor, bytes(SYNC_BYTES))
                storage.sync_data(descriptor)
                times.append(now_s() - begun)
        finally:
            storage.close(descriptor)
            storage.remove(place)
    except OSError as error:
        return DoctorFinding("disk speed", PROBLEM, f"{place.parent}: {reason(error)}.", "Choose another --sessions.")
    told = f"a write with its flush takes {1000 * statistics.median(times):.1f} ms, at worst {1000 * max(times):.1f} ms"
    if sorted(times)[-2] > SYNC_AT_MOST_S:  # one slow flush happens to any disk
        fix = "Record to an inner disk, not to a stick or a network place."
        return DoctorFinding("disk speed", PROBLEM, f"{told}: too slow for what a power cut may cost.", fix)
    return DoctorFinding("disk speed", OK, told)


def newest_file_s(folder: Path) -> float:
    """Return when the newest file of a folder was written, UTC seconds; no clock that is right can be before it."""
    return max(file.stat().st_mtime for file in folder.rglob("*.py"))


def clock(now_s: float, not_before_s: float, is_synchronized: bool) -> DoctorFinding:
    """Look whether the wall clock can be right; sessions are named after it, nothing else depends on it."""
    shown = f"{datetime.fromtimestamp(now_s, UTC):%Y-%m-%d %H:%M} UTC"
    if now_s < not_before_s - 24 * _HOUR_S:
        return DoctorFinding("clock", PROBLEM, f"it shows {shown}, before this program was installed.", "Set date and time.")
    if is_synchronized:
        return DoctorFinding("clock", OK, f"{shown}, set by a time server since the start")
    return DoctorFinding("clock", UNKNOWN, f"{shown}; no time server has set it.", "Compare it with another clock.")


def browser(
    find: Callable[[], object] = webbrowser.get,
    environment: Mapping[str, str] = os.environ,
    which: Callable[[str], str | None] = shutil.which,
    platform: str = sys.platform,
) -> DoctorFinding:
    """Look whether a browser can be opened for the page.

    Without a display Python's `webbrowser` knows only those that draw in the terminal, whatever else is installed.
    """
    elsewhere = "start with --no-browser and open the printed address in a browser on this computer's screen."
    needs_display = platform not in ("win32", "darwin")
    if needs_display and not (environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY")):
        if environment.get("BROWSER"):
            return DoctorFinding("browser", OK, f"the one that BROWSER names ({environment['BROWSER']})")
        installed = next((found for name in _DRAWING if (found := which(name)) is not None), None)
        if installed is not None:
            found = f"a browser is installed ({installed}), but there is no display here to show it on."
            return DoctorFinding("browser", UNKNOWN, found, f"Run this where the screen is, or {elsewhere}")
        found = "none that draws pictures was found, and there is no display here."
        return DoctorFinding("browser", PROBLEM, found, f"Install one where the screen is, or {elsewhere}")
    try:
        find()
    except webbrowser.Error:
        return DoctorFinding("browser", PROBLEM, "none was found.", f"Install one, or {elsewhere}")
    return DoctorFinding("browser", OK, "found")


def key_files(keys: Path) -> list[DoctorFinding]:
    """Look whether the command keys are for nobody else to read."""
    if os.name == "nt":
        return [DoctorFinding("keys", UNKNOWN, f"file modes mean nothing here; only you should be able to read {keys}.")]
    files = sorted(file for file in keys.glob(f"{KEY_FILE}*") if file.is_file()) if keys.is_dir() else []
    if not files:
        return [DoctorFinding("keys", OK, f"no command key in {keys} yet; it is made at the first start")]
    findings = []
    for file in files:
        held = file.stat()
        if stat.S_IMODE(held.st_mode) & 0o077:
            found = f"others can read {file} (mode {stat.S_IMODE(held.st_mode):04o})."
            findings.append(
                DoctorFinding("key", PROBLEM, found, f"chmod 600 '{file}', and rotate the key if others use this computer.")
            )
        elif held.st_uid != os.geteuid():
            findings.append(
                DoctorFinding("key", PROBLEM, f"{file} belongs to somebody else.", "Start as its owner, or move it.")
            )
        else:
            findings.append(DoctorFinding("key", OK, f"{file} is yours alone"))
    return findings


# ---------------------------------------------------------------- sleep


def sleep_settings() -> list[DoctorFinding]:
    """Look whether this computer would fall asleep by itself or with its lid, as far as that can be read here."""
    findings = []
    if sys.platform.startswith("linux"):
        if any(Path("/proc/acpi/button/lid").glob("*")):
            findings.append(lid(_lines(map(Path, _LID_FILES))))
        idle = [
            _asked("gsettings", "get", "org.gnome.settings-daemon.plugins.power", f"sleep-inactive-{on}-type")
            for on in ("ac", "battery")
        ]
        findings += [idle_sleep(text) for text in idle if text is not None][:2]
    elif sys.platform == "darwin":
        text = _asked("pmset", "-g")
        findings += [] if text is None else [mac_sleep(text)]
    by_hand = "Switch automatic sleep off and keep the lid open."
    return findings or [DoctorFinding("sleep", UNKNOWN, "the settings cannot be read here.", by_hand)]


def _asked(*command: str) -> str | None:
    """Return what a command prints, None when there is no such command or it fails."""
    with suppress(OSError, subprocess.SubprocessError):
        return subprocess.run(command, capture_output=True, text=True, check=True, timeout=5).stdout
    return None


def _lines(places: Iterable[Path]) -> list[str]:
    """Return the lines of files and of the .conf files in folders."""
    files = [file for place in places for file in (sorted(place.glob("*.conf")) if place.is_dir() else [place])]
    lines: list[str] = []
    for file in files:
        with suppress(OSError, UnicodeDecodeError):
            lines += file.read_text("utf-8").splitlines()
    return lines


def lid(lines: Iterable[str]) -> DoctorFinding:
    """Look at what closing the lid does. Source: logind.conf(5), where "suspend" is the default."""
    does = "suspend"
    for line in lines:
        name, _, value = line.partition("=")
        if name.strip() == "HandleLidSwitch":
            does = value.strip()
    if does in ("ignore", "lock"):
        return DoctorFinding("lid", OK, f"closing it does '{does}'")
    return DoctorFinding("lid", PROBLEM, f"closing it does '{does}', which stops the station.", "Keep it open.")


def idle_sleep(text: str) -> DoctorFinding:
    """Look at one answer of the desktop's power settings."""
    does = text.strip().strip("'")
    if does in ("nothing", "blank"):
        return DoctorFinding("sleep", OK, "the desktop does not put the computer to sleep")
    return DoctorFinding(
        "sleep", PROBLEM, f"left alone, the desktop does '{does}'.", "Switch automatic sleep off in its power settings."
    )


def mac_sleep(text: str) -> DoctorFinding:
    """Look at what `pmset -g` prints: a line "sleep N", in minutes, 0 for never. From memory, not tried."""
    for line in text.splitlines():
        words = line.split()
        if len(words) >= 2 and words[0] == "sleep" and words[1].isdigit():
            if words[1] == "0":
                return DoctorFinding("sleep", OK, "the computer does not fall asleep by itself")
            return DoctorFinding(
                "sleep", PROBLEM, f"it falls asleep after {words[1]} minutes.", "Run it under: caffeinate -i"
            )
    return DoctorFinding("sleep", UNKNOWN, "the settings cannot be read here.", "Switch automatic sleep off.")
