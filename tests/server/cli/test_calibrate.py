"""`blockhouse calibrate` over a pseudo-terminal and from a recording: each step told, both files written, refusals."""

from __future__ import annotations

import os
import threading
import time
import tomllib
import tty
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from server.cli.cli import main
from server.review.review import open_review
from tests.browser.station import ROOT
from tests.server.calibrating.moves import frames, six_sides

CALM = str(ROOT / "replay_samples" / "calm.pcapng")
FASTER = 40.0  # than the vehicle's own time


@pytest.fixture
def device() -> Iterator[str]:
    """A vehicle on the bench behind a pseudo-terminal, laid on six sides one after another."""
    master, slave = os.openpty()
    tty.setraw(slave)
    over = threading.Event()

    def send() -> None:
        begun = time.monotonic()
        for now_s, frame in frames(
            six_sides().laid("+z").still(8.0).signals()
        ):  # what comes before the port is open is lost
            if over.wait(max(0.0, begun + 0.5 + now_s / FASTER - time.monotonic())):
                return
            os.write(master, frame)

    sender = threading.Thread(target=send)
    sender.start()
    yield os.ttyname(slave)
    over.set()
    sender.join()
    os.close(slave)
    os.close(master)


@pytest.mark.terminal
def test_six_sides_at_the_bench_end_by_themselves(device: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wanted = ["--what", "accelerometer", "--serial", "SN-12", "--gravity", "9.81", "--out", str(tmp_path)]
    assert main(["calibrate", "--port", device, *wanted]) == 0
    said = capsys.readouterr().out
    assert "CAUTION: Before anything is moved: motor and all charges out, arming key out" in said
    for side in ("nose up", "nose down", "lying, body axis +x up", "lying, body axis -y up"):
        assert f"seen  {side}: still for" in said
    assert "100 %  All six sides are there." in said
    told = tomllib.loads((tmp_path / "calibration.toml").read_text())["calibration"]["accelerometer_a"]
    assert told["unit_serial"] == "SN-12" and told["bias"] == pytest.approx([0.08, -0.12, 0.05], abs=0.03)
    assert "calibration_accelerometer_a_matrix[3][3]" in (tmp_path / "calibration.h").read_text()


def test_a_recording_gives_what_lies_still_in_it_and_both_files_keep_what_they_had(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for what in ("gyro", "allan"):
        more = ["--serial", "SN-12", "--seconds", "20", "--out", str(tmp_path)]
        assert main(["calibrate", "--session", CALM, "--what", what, *more]) == 0
    told = tomllib.loads((tmp_path / "calibration.toml").read_text())["calibration"]
    assert set(told) == {"gyro_a", "allan_a"}
    recorded = open_review(Path(CALM)).session.header
    day = datetime.fromtimestamp(recorded.utc_of(recorded.origin_monotonic_ns) / 1e9, UTC).date()
    assert told["gyro_a"]["date"] == day
    assert "calibration_gyro_a_bias[3]" in (tmp_path / "calibration.h").read_text()
    assert "angle_random_walk x" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--session", CALM, "--what", "accelerometer"], "2 of 6 different positions: still to come are +x, -x, +y, -y, -z"),
        (["--session", CALM, "--what", "magnetometer"], "has no packet with the roles magnetometer.x"),
        (["--session", CALM, "--what", "barometer"], "Say the heights of the stairs"),
        (["--session", CALM, "--what", "barometer", "--heights", "0,x"], "is no list of heights"),
        (["--session", CALM, "--what", "gyro", "--serial", 'a"b'], "must be 1 to 40 letters"),
        (["--port", "/dev/nothing-here", "--what", "gyro"], "is not there"),
    ],
)
def test_what_cannot_be_calibrated_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], sentence: str
) -> None:
    serial = [] if "--serial" in more else ["--serial", "SN-12"]
    assert main(["calibrate", "--out", str(tmp_path), *serial, *more]) == 1
    said = capsys.readouterr().err
    assert sentence in said and said.count("\n") == 1


def test_without_a_serial_nothing_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calibrate", "--session", CALM, "--what", "gyro", "--seconds", "20", "--out", str(tmp_path / "new")]) == 1
    assert "say it with --serial" in capsys.readouterr().err and not (tmp_path / "new").exists()


def test_a_file_that_is_no_calibration_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "calibration.toml").write_text("format = 1\n")
    wanted = ["--what", "gyro", "--seconds", "20", "--serial", "SN-12", "--out", str(tmp_path)]
    assert main(["calibrate", "--session", CALM, *wanted]) == 1
    assert "move it away first" in capsys.readouterr().err
    assert (tmp_path / "calibration.toml").read_text() == "format = 1\n"
