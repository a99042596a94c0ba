"""What the doctor finds on a computer that is fit, and on one that is not: each problem comes with a fix."""

from __future__ import annotations

import errno
import os
import stat
import webbrowser
from pathlib import Path

import pytest

from server.bridge.ports import FoundPort
from server.cli.cli import main
from server.uplink.key_file import load_or_make_key
from server.uplink.key_names import KEY_FILE
from server.workbench import doctor
from server.workbench.doctor import OK, PROBLEM, ROOM_AT_LEAST_BYTES, SYNC_AT_MOST_S, UNKNOWN, DoctorFinding
from tests.server.recording.sessions import FaultyStorage


@pytest.mark.parametrize(("version", "state"), [((3, 10, 9), PROBLEM), ((3, 11, 0), OK), ((3, 14, 1), OK)])
def test_python(version: tuple[int, ...], state: str) -> None:
    assert doctor.python(version).state == state


def test_ports() -> None:
    good = FoundPort("/dev/ttyA", "a radio", None, None)
    bad = FoundPort("/dev/ttyB", "", None, "No permission for /dev/ttyB. Add yourself to the group.")
    assert [finding.state for finding in doctor.serial_ports([good, bad])] == [OK, PROBLEM]
    assert "Add yourself" in doctor.serial_ports([bad])[0].found
    assert [finding.state for finding in doctor.serial_ports([])] == [UNKNOWN]


@pytest.mark.parametrize(("free", "state"), [(ROOM_AT_LEAST_BYTES - 1, PROBLEM), (ROOM_AT_LEAST_BYTES, OK)])
def test_disk_room_of_a_folder_that_is_not_made_yet(tmp_path: Path, free: int, state: str) -> None:
    asked: list[Path] = []

    def usage(place: Path) -> tuple[int, int, int]:
        asked.append(place)
        return 10 * free, 9 * free, free

    assert doctor.disk_room(tmp_path / "not" / "yet", usage).state == state
    assert asked == [tmp_path]


@pytest.mark.parametrize(("slow", "state"), [([], OK), ([7], OK), ([7, 9], PROBLEM), (list(range(doctor.SYNCS)), PROBLEM)])
def test_disk_speed_by_a_clock_of_its_own(tmp_path: Path, slow: list[int], state: str) -> None:
    """Times are read in pairs; one slow flush is forgiven."""
    times = []
    for number in range(doctor.SYNCS):
        times += [number, number + (1.5 * SYNC_AT_MOST_S if number in slow else 0.001)]
    finding = doctor.disk_speed(tmp_path, now_s=iter(times).__next__)
    assert finding.state == state and bool(finding.fix) == (state == PROBLEM)
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_refuses(tmp_path: Path) -> None:
    for fail_at in range(5):
        finding = doctor.disk_speed(tmp_path, FaultyStorage(fail_at, errno.ENOSPC))
        assert finding.state == PROBLEM and "the disk is full" in finding.found
    assert list(tmp_path.iterdir()) == []


def test_clock() -> None:
    installed = 1_700_000_000.0
    assert doctor.clock(installed - 100_000, installed, True).state == PROBLEM
    assert doctor.clock(installed - 1_000, installed, True).state == OK  # a file may be dated in another zone
    assert doctor.clock(installed + 1e6, installed, False).state == UNKNOWN
    assert (
        doctor.clock(installed + 1e6, installed, True).found == "2023-11-26 12:00 UTC, set by a time server since the start"
    )
    newest = max(file.stat().st_mtime for file in Path(doctor.__file__).parents[1].rglob("*.py"))
    assert doctor.newest_file_s(Path(doctor.__file__).parents[1]) == newest


def test_browser() -> None:
    def none() -> object:
        raise webbrowser.Error("no browser")

    screen = {"DISPLAY": ":0"}
    assert doctor.browser(lambda: object(), screen).state == OK
    assert doctor.browser(none, screen).state == PROBLEM and "--no-browser" in doctor.browser(none, screen).fix


def test_a_browser_without_a_display_is_told_apart_from_no_browser() -> None:
    """Seen: "none was found" with a browser installed; and a text browser, which draws no page, would have been "found"."""

    def text_browser() -> object:
        return object()

    here = doctor.browser(text_browser, {}, lambda name: f"/usr/bin/{name}" if name == "chromium" else None, "linux")
    assert here.state == UNKNOWN and "/usr/bin/chromium" in here.found and "no display here" in here.found
    none = doctor.browser(text_browser, {}, lambda name: None, "linux")
    assert none.state == PROBLEM and "no display here" in none.found and "--no-browser" in none.fix
    assert doctor.browser(text_browser, {"BROWSER": "mine %s"}, lambda name: None, "linux").state == OK
    for platform in ("win32", "darwin"):
        assert doctor.browser(text_browser, {}, lambda name: None, platform).state == OK, "a display is there by itself"


def test_ports_that_name_no_hardware_are_looked_at_only_where_asked_for(tmp_path: Path, monkeypatch) -> None:
    ghost, radio = FoundPort("/dev/ttyS0", "", None, None, True), FoundPort("/dev/ttyUSB0", "radio", "7", None)
    monkeypatch.setattr(doctor, "found_ports", lambda: [ghost, radio])

    def whats(every_port: bool) -> list[str]:
        return [one.what for one in doctor.examine(tmp_path, tmp_path, every_port) if one.what.startswith("port ")]

    assert whats(False) == ["port /dev/ttyUSB0"] and whats(True) == ["port /dev/ttyS0", "port /dev/ttyUSB0"]


def test_keys(tmp_path: Path) -> None:
    keys = tmp_path / "keys"
    assert [finding.state for finding in doctor.key_files(keys)] == [OK]
    load_or_make_key(keys)
    assert [finding.state for finding in doctor.key_files(keys)] == [OK]
    for mode in (0o640, 0o604, 0o620):
        os.chmod(keys / KEY_FILE, mode)
        [finding] = doctor.key_files(keys)
        assert finding.state == PROBLEM and f"mode {mode:04o}" in finding.found and "chmod 600" in finding.fix
    assert stat.S_IMODE((keys / KEY_FILE).stat().st_mode) == 0o620  # nothing is changed
    assert (keys / KEY_FILE).read_text().strip() not in str(doctor.key_files(keys))


@pytest.mark.parametrize(
    ("lines", "state"),
    [
        ([], PROBLEM),
        (["#HandleLidSwitch=ignore"], PROBLEM),
        (["[Login]", "HandleLidSwitch=ignore"], OK),
        (["HandleLidSwitch=ignore", "HandleLidSwitch = suspend"], PROBLEM),
        (["HandleLidSwitchDocked=ignore"], PROBLEM),
        (["HandleLidSwitch=lock"], OK),
    ],
)
def test_lid(lines: list[str], state: str) -> None:
    assert doctor.lid(lines).state == state


def test_sleep() -> None:
    assert doctor.idle_sleep("'nothing'\n").state == OK
    assert doctor.idle_sleep("'suspend'\n") == DoctorFinding(
        "sleep", PROBLEM, "left alone, the desktop does 'suspend'.", "Switch automatic sleep off in its power settings."
    )
    assert doctor.mac_sleep(" standby 1\n sleep                0 (sleep prevented by x)\n").state == OK
    assert doctor.mac_sleep(" disksleep 10\n sleep 15\n").state == PROBLEM
    assert doctor.mac_sleep("").state == UNKNOWN


def test_settings_are_read_from_files_and_folders(tmp_path: Path) -> None:
    (tmp_path / "more").mkdir()
    (tmp_path / "one.conf").write_text("a=1\n")
    (tmp_path / "more" / "two.conf").write_text("b=2\n")
    (tmp_path / "more" / "three.txt").write_text("c=3\n")
    assert doctor._lines([tmp_path / "one.conf", tmp_path / "none", tmp_path / "more"]) == ["a=1", "b=2"]
    assert doctor._asked("no-such-command-at-all") is None


def test_the_command_prints_a_line_for_each_and_its_exit_code_tells(tmp_path: Path, capsys, monkeypatch) -> None:
    keys = tmp_path / "keys"
    load_or_make_key(keys)
    arguments = ["doctor", "--sessions", str(tmp_path), "--keys", str(keys)]
    code = main(arguments)
    lines = capsys.readouterr().out.splitlines()
    assert {line.split()[0] for line in lines} <= {OK, PROBLEM, UNKNOWN}
    assert code == any(line.startswith(PROBLEM) for line in lines)
    for what in ("Python", "disk room", "disk speed", "clock", "browser", "key"):
        assert any(line.split(maxsplit=1)[1].startswith(what) for line in lines), what
    os.chmod(keys / KEY_FILE, 0o644)
    assert main(arguments) == 1
    monkeypatch.setattr(
        doctor, "examine", lambda *folders: [DoctorFinding("all", OK, "fine"), DoctorFinding("x", UNKNOWN, "y")]
    )
    assert main(arguments) == 0
