"""A command imports its own rooms and no others: what is slow to import is not paid for by who does not need it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from server.cli.cli import COMMANDS, main
from tests.browser.station import ROOT

SERVING = {"fastapi", "uvicorn", "starlette", "pydantic", "segno", "asyncio"}
LIGHT = SERVING | {"numpy", "rich", "serial", "server.app", "server.demo", "server.review", "server.flight"}
CALM = str(ROOT / "replay_samples" / "calm.pcapng")


def imported(*arguments: str, home: Path) -> set[str]:
    """Return the names of all modules that a command imports, as the interpreter itself tells them."""
    command = [sys.executable, "-X", "importtime", "-m", "server", *arguments]
    ended = subprocess.run(
        command,
        cwd=ROOT,
        env={**os.environ, "BLOCKHOUSE_HOME": str(home)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    lines = [line for line in ended.stderr.splitlines() if line.startswith("import time:")]
    return {line.rpartition("|")[2].strip() for line in lines}


@pytest.mark.parametrize(
    ("arguments", "not_these"),
    [
        (("--version",), LIGHT | {"http"}),
        (("--help",), LIGHT | {"http", "platformdirs"}),
        (("key",), LIGHT),
        (("ports",), LIGHT - {"serial"}),
        (("demo", "--help"), set()),
        (("firmware", "--out", "{}"), LIGHT),
        (("summary", CALM), SERVING | {"serial", "server.app", "server.demo", "server.live", "server.http"}),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else None,
)
def test_what_a_command_does_not_need_is_not_imported(
    tmp_path: Path, arguments: tuple[str, ...], not_these: set[str]
) -> None:
    names = imported(*[part.format(tmp_path) for part in arguments], home=tmp_path)
    assert "server.cli.cli" in names, "the interpreter told nothing"
    assert names & not_these == set()
    if arguments[0] == "demo":
        assert LIGHT - {"rich"} <= names, "what is looked for would not be seen"


@pytest.mark.parametrize("name", [name for name, _, _ in COMMANDS])
def test_every_command_of_the_table_is_there(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0 and capsys.readouterr().out.startswith(f"usage: blockhouse {name} ")
