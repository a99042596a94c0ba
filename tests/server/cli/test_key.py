"""`blockhouse key`: what it prints, what it writes, and that the key itself is never shown."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from server.cli.key import add_key
from server.settings import copies_folder
from server.uplink.counter_store import SPARE, CounterStore
from server.uplink.key_file import load_or_make_key
from server.uplink.key_names import KeyProblem, fingerprint


class Shell:
    """The command line with nothing but `key`; the home is the test's own folder."""

    def __init__(self, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.home, self.keys, self._capsys = home, home / "keys", capsys
        self._parser = argparse.ArgumentParser(prog="blockhouse")
        add_key(self._parser.add_subparsers(required=True).add_parser("key"))

    def __call__(self, *arguments: object) -> str:
        options = self._parser.parse_args(["key", *map(str, arguments)])
        assert options.run(options) == 0
        said = self._capsys.readouterr()
        assert said.err == ""
        for key in self.keys.glob("command.key*"):
            assert key.read_text().strip() not in said.out, "the key was shown"
        return said.out

    def key(self) -> bytes:
        """The key as the station would load it."""
        return load_or_make_key(self.keys, copies_folder())


@pytest.fixture
def shell(tmp_path: Path, capsys, monkeypatch) -> Shell:
    monkeypatch.setenv("BLOCKHOUSE_HOME", str(tmp_path))
    return Shell(tmp_path, capsys)


def as_bytes(path: Path) -> bytes:
    """Read the C array back."""
    return bytes.fromhex("".join(re.findall(r"0x([0-9a-f]{2})", path.read_text())))


@pytest.mark.parametrize("arguments", [(), ("show",)])
def test_show_makes_the_key_once_and_tells_place_fingerprint_and_counter(shell: Shell, arguments: tuple[str, ...]) -> None:
    first = shell(*arguments)
    assert first == (
        f"file: {shell.keys / 'command.key'}\nfingerprint: {fingerprint(shell.key())}\n"
        "counters up to this one are spoken for: 0\n"
    )
    assert shell("show") == shell() == first
    CounterStore(shell.keys, shell.key(), copies_folder()).take()
    assert f"spoken for: {1 + SPARE}\n" in shell()


@pytest.mark.parametrize("arguments", [("export",), ("--export",), ("show", "--export")])
def test_export_writes_the_key_once(shell: Shell, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    out = tmp_path / "key.h"
    told = shell(*arguments, out)
    assert as_bytes(out) == shell.key() and out.stat().st_mode & 0o777 == 0o600
    assert f"written for the flight computer: {out}" in told and fingerprint(shell.key()) in told
    with pytest.raises(KeyProblem, match="File exists"):
        shell(*arguments, out)


def test_rotate_makes_a_new_key_and_keeps_the_old_one(shell: Shell, tmp_path: Path) -> None:
    shell()
    old = shell.key()
    CounterStore(shell.keys, old, copies_folder()).take()
    told = shell("rotate", "--export", tmp_path / "new.h")
    new = shell.key()
    assert new != old and as_bytes(tmp_path / "new.h") == new
    kept = Path(re.search("the old key is kept: (.*)", told)[1])
    assert re.fullmatch(r"command\.key\.\d{8}T\d{6}Z", kept.name) and bytes.fromhex(kept.read_text()) == old
    assert kept.stat().st_mode & 0o777 == 0o600
    assert fingerprint(new) in told and fingerprint(old) not in told
    assert "obeys the old key until the new one is in its flight computer" in told and "started again" in told
    assert "spoken for: 0\n" in shell() and f"earlier key: {kept}" in shell()


def test_lost_counters_are_said_with_the_remedy_and_the_remedy_works(shell: Shell, capsys) -> None:
    shell()
    for counter in (*shell.keys.glob("counter-*"), *copies_folder().glob("counter-*")):
        counter.unlink()
    with pytest.raises(KeyProblem, match="is lost: no number is sure to be unused. .*'blockhouse key rotate'"):
        shell()
    assert fingerprint(shell.key()) in capsys.readouterr().out, "which key it is can still be seen"
    shell("rotate")
    assert "spoken for: 0\n" in shell()


def test_nothing_to_rotate(shell: Shell) -> None:
    with pytest.raises(KeyProblem, match="There is no command key"):
        shell("rotate")


@pytest.mark.parametrize("where", ["before", "after"])
@pytest.mark.parametrize("act", [(), ("show",), ("export", "{}/x.h"), ("rotate",)])
def test_another_folder_before_or_after_the_act(shell: Shell, tmp_path: Path, act: tuple[str, ...], where: str) -> None:
    other = tmp_path / "other"
    load_or_make_key(other)
    words = [word.format(tmp_path) for word in act]
    place = ["--keys", str(other)]
    told = shell(*place, *words) if where == "before" else shell(*words, *place)
    assert fingerprint(load_or_make_key(other)) in told
    assert not shell.keys.exists()


def test_export_needs_a_file_and_unknown_acts_are_refused(shell: Shell, capsys) -> None:
    for arguments in (("export",), ("burn",)):
        with pytest.raises(SystemExit) as ended:
            shell(*arguments)
        assert ended.value.code == 2
    assert "FILE" in capsys.readouterr().err
