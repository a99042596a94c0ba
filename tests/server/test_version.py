"""Which Blockhouse this is, as `--version` prints it."""

from __future__ import annotations

import re
import subprocess
from importlib import metadata
from pathlib import Path

import pytest

from server import __version__, version
from server.version import git_state, software, version_line
from tests.server.flights import dictionary


def git(folder: Path, *arguments: str) -> str:
    """Run git in a folder with an invented author, whatever the machine's settings are."""
    who = [
        "-c",
        "user.name=A",
        "-c",
        "user.email=a@b.example",
        "-c",
        "commit.gpgsign=false",
        "-c",
        "init.defaultBranch=main",
    ]
    return subprocess.run(["git", *who, *arguments], cwd=folder, capture_output=True, text=True, check=True).stdout.strip()


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A checkout of one commit."""
    folder = tmp_path / "checkout"
    (folder / "inside").mkdir(parents=True)
    (folder / "inside" / "file").write_text("one\n")
    git(folder, "init")
    git(folder, "add", "-A")
    git(folder, "commit", "-m", "Begin")
    return folder


def test_a_checkout_is_its_short_commit_and_a_plus_when_changed(checkout: Path) -> None:
    commit = git(checkout, "rev-parse", "HEAD")
    assert re.fullmatch(r"[0-9a-f]{7,40}", git_state(checkout)) and commit.startswith(git_state(checkout))
    git(checkout, "tag", "v1")
    assert commit.startswith(git_state(checkout)), "a tag is no commit"
    (checkout / "untracked").write_text("")
    assert not git_state(checkout).endswith("+")
    (checkout / "inside" / "file").write_text("two\n")
    assert git_state(checkout).endswith("+") and commit.startswith(git_state(checkout)[:-1])


def test_what_is_no_checkout_says_nothing(checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert git_state(tmp_path) == ""
    assert git_state(checkout / "inside") == "", "an installation inside somebody's repository is not that repository"
    (tmp_path / "broken" / ".git").mkdir(parents=True)
    assert git_state(tmp_path / "broken") == ""
    monkeypatch.setenv("PATH", str(tmp_path))
    assert git_state(checkout) == "", "without git"


def test_the_version_is_the_installed_one() -> None:
    assert __version__ == metadata.version("blockhouse")
    assert software() == (__version__, git_state())


@pytest.mark.parametrize(("state", "said"), [("abc1234+", " (abc1234+)"), ("", "")])
def test_the_line_says_version_checkout_and_dictionary(state: str, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(version, "git_state", lambda: state)
    assert version_line() == f"blockhouse {__version__}{said}, dictionary {dictionary().hash32:08x}"
