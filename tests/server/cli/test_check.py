"""`blockhouse check` against the compiled C example over a pseudo-terminal, and its refusals."""

from __future__ import annotations

import os
import re
import subprocess
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.cli.cli import main
from server.settings import copies_folder
from server.uplink.key_file import load_or_make_key
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.build import program

pytestmark = pytest.mark.terminal


@pytest.fixture
def keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BLOCKHOUSE_HOME", str(tmp_path))
    load_or_make_key(tmp_path / "keys", copies_folder())
    return tmp_path / "keys"


@pytest.fixture
def device(keys: Path, tmp_path: Path) -> Iterator[str]:
    """The compiled Sandpiper behind a pseudo-terminal."""
    master, slave = os.openpty()
    tty.setraw(slave)
    command = [str(program("sandpiper", "example")), str(keys / "command.key"), str(tmp_path / "boot")]
    vehicle = subprocess.Popen(command, stdin=master, stdout=master)
    yield os.ttyname(slave)
    vehicle.kill()
    vehicle.wait()
    os.close(slave)
    os.close(master)


def test_the_compiled_example_keeps_every_rule(device: str, keys: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["check", "--port", device, "--keys", str(keys), "--listen", "4"])
    said = capsys.readouterr().out
    assert code == 0, said
    assert re.fullmatch(r"\d+ looked at, none at fault", said.splitlines()[-1])
    asked = ("command accepted", "command repeated", "counter replayed", "other start", "other dictionary", "too late")
    safe_all = ("Safe all", "Safe all repeated", "Safe all told", "Safe all of an earlier start")
    for name in ("wire", "identity", "dictionary", *asked, "other vehicle", "wrong tag", *safe_all, "answer time"):
        assert re.search(rf"^ok +{name}  ", said, re.M), said


def test_listening_only_sends_nothing(device: str, keys: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--port", device, "--keys", str(keys), "--listen", "2", "--listen-only"]) == 0
    assert "command accepted" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--port", "/dev/nothing-here"], "is not there"),
        (["--port", "socket://x"], "needs a host and a port"),
        (["--port", "loop://", "--command", "channel_fire"], "is hazardous; a check asks only for routine commands"),
        (["--port", "loop://", "--command", "nonsense"], "has no command 'nonsense'"),
    ],
)
def test_what_cannot_be_checked_is_one_sentence(
    keys: Path, capsys: pytest.CaptureFixture[str], more: list[str], sentence: str
) -> None:
    assert main(["check", "--keys", str(keys), *more]) == 1
    said = capsys.readouterr().err
    assert sentence in said and said.count("\n") == 1


def test_what_the_dictionary_calls_routine_and_fires_is_not_asked_for(
    keys: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The hash does not cover hazards: on the bench this check once fired what the file called routine."""
    lying = tmp_path / "lying.toml"
    lying.write_text(SANDPIPER.text.replace('code = 0x4B\nhazard = "hazardous"', 'code = 0x4B\nhazard = "routine"', 1))
    more = ["--dictionary", str(lying), "--command", "channel_fire"]
    assert main(["check", "--keys", str(keys), "--port", "loop://", *more]) == 1
    assert "arms or fires a channel, and the dictionary calls it routine" in capsys.readouterr().err
