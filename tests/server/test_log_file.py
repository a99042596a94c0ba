"""The log: bounded, never holding a secret, and no trouble when the disk makes some."""

from __future__ import annotations

import asyncio
import logging
import os
import threading
import warnings
from pathlib import Path

import server.log_file
from server.app import run_live
from server.log_file import HIDDEN, LOG_NAME, log_file
from server.uplink.key_file import load_or_make_key
from server.uplink.key_names import KEY_FILE
from tests.server.test_app import live, settings

SECRET = "s3cret-" + "k" * 36


def test_no_secret_gets_into_it_by_whatever_way(tmp_path: Path) -> None:
    logger = logging.getLogger("some.library")
    warned: list[str] = []
    with log_file(tmp_path / "sessions", warned.append) as log:
        log.hide(SECRET, "")
        logger.info("plain %s", SECRET)
        logger.warning("in a list %r", [SECRET, 3])
        try:
            raise ValueError(f"bad token {SECRET}")
        except ValueError:
            logger.exception("it failed")
    text = (tmp_path / "sessions" / LOG_NAME).read_text()
    assert SECRET not in text and text.count(HIDDEN) == 3
    assert SECRET not in "".join(warned) and [line.split("\n")[0] for line in warned] == [
        "in a list ['[hidden]', 3]",
        "it failed",
    ]
    assert "INFO some.library: plain" in text and "ValueError: bad token" in text


def test_a_stations_log_tells_what_happened_without_key_and_token(tmp_path: Path) -> None:
    said: list[str] = []

    def say(text: str) -> None:
        said.append(text)
        logging.getLogger("uvicorn.error").error("GET /?%s %s", text, load_or_make_key(tmp_path / "keys").hex())

    def over() -> bool:
        return any("#operator=" in line for line in said) and any(line.startswith("Link missing") for line in said)

    path = asyncio.run(run_live(live(), settings(tmp_path), open_browser=False, say=say, until=over))
    text = (tmp_path / "sessions" / LOG_NAME).read_text()
    token = next(line for line in said if "#operator=" in line).rsplit("=", 1)[1]
    assert token not in text and (tmp_path / "keys" / KEY_FILE).read_text().strip() not in text
    assert f"{HIDDEN} {HIDDEN}" in text  # both were tried
    for words in ("started (live)", "link missing: Nobody answers", f"stopped: Recording closed: {path.name}"):
        assert words in text, words
    assert logging.getLogger().handlers == [h for h in logging.getLogger().handlers if "LogFile" not in type(h).__name__]


def test_it_rotates(tmp_path: Path, monkeypatch) -> None:
    warned: list[str] = []
    monkeypatch.setattr(server.log_file, "SIZE_AT_MOST", 2000)
    with log_file(tmp_path, warned.append):
        for number in range(500):
            logging.getLogger("many").info("line %d of many lines that fill a file", number)
    names = sorted(os.listdir(tmp_path))
    assert names == [LOG_NAME, f"{LOG_NAME}.1", f"{LOG_NAME}.2", f"{LOG_NAME}.3"]
    assert all((tmp_path / name).stat().st_size <= 2000 for name in names)
    assert "line 499 " in (tmp_path / LOG_NAME).read_text()


def test_a_place_that_cannot_be_written_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    warned: list[str] = []
    with log_file(tmp_path / "file", warned.append):
        logging.getLogger("x").info("nowhere to go")
        logging.getLogger("x").warning("told all the same")
        with warnings.catch_warnings():
            warnings.simplefilter("always")
            warnings.warn("so does Python's own", RuntimeWarning, stacklevel=1)
    assert warned[0] == "told all the same" and "RuntimeWarning: so does Python's own" in warned[1]


def test_a_full_queue_drops_and_holds_nobody_up(tmp_path: Path, monkeypatch) -> None:
    warned: list[str] = []
    monkeypatch.setattr(server.log_file, "WAITING_AT_MOST", 5)
    monkeypatch.setattr(server.log_file._Listener, "start", lambda self: None)  # a disk that hangs
    monkeypatch.setattr(server.log_file._Listener, "stop", lambda self: None)
    with log_file(tmp_path, warned.append):
        for number in range(50):
            logging.getLogger("x").info("line %d", number)
        logging.getLogger("x").warning("the terminal is told all the same")
    assert warned == ["the terminal is told all the same"]


def test_a_disk_that_hangs_does_not_hold_up_the_end(tmp_path: Path, monkeypatch) -> None:
    warned: list[str] = []
    gate = threading.Event()
    monkeypatch.setattr(server.log_file, "STOP_WITHIN_S", 0.01)
    monkeypatch.setattr(server.log_file._Writer, "emit", lambda self, record: gate.wait(30))
    with log_file(tmp_path, warned.append):
        logging.getLogger("x").info("stuck")
    assert not gate.is_set()  # left although the line is not written yet
    gate.set()
