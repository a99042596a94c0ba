"""One style for the page: the formatter and the linter that style.jsonc sets, exactly as package-lock.json pins them."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.web.npm import installed

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
CONFIG = f"--config-path={HERE / 'style.jsonc'}"


@pytest.fixture(scope="module")
def biome() -> Path:
    """The pinned program, installed beside this file if it is not there as the lock file says."""
    return installed(".bin/biome")


def test_formatter_and_linter_have_nothing_to_say(biome: Path) -> None:
    command = [biome, "ci", "--colors=off", CONFIG, "--error-on-warnings", "--max-diagnostics=50", "web", "tests/web"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_no_line_is_longer_than_120_characters() -> None:
    """The formatter breaks code, but neither comments nor long texts."""
    files = [path for kind in ("*.js", "*.css", "*.html") for path in (ROOT / "web").rglob(kind)] + [*HERE.glob("*.js")]
    lines = [
        (path.name, i) for path in files for i, line in enumerate(path.read_text("utf-8").split("\n"), 1) if len(line) > 120
    ]
    assert lines == []


@pytest.mark.parametrize(
    ("rule", "source"),
    [
        ("noUndeclaredVariables", 'export const el = h("p");\n'),
        ("noUnusedImports", 'import { h, s } from "../kit/dom.js";\n\nexport const el = h("p");\n'),
        ("noUnusedVariables", "const el = 1;\nexport const other = 2;\n"),
        ("format", 'import { h } from "../kit/dom.js"\n\nexport const el = h("p");\n'),
    ],
    ids=lambda value: value if value.isalpha() else "",
)
def test_what_is_wrong_is_seen(biome: Path, tmp_path: Path, rule: str, source: str) -> None:
    """A browser finds a missing import only when the line runs; the linter finds it before."""
    shutil.copytree(ROOT / "web", tmp_path / "web")
    (tmp_path / "web" / "frame" / "added.js").write_text(source, "utf-8")
    command = [biome, "ci", "--colors=off", CONFIG, "web"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode != 0
    assert [rule in line for line in done.stdout.split("\n") + done.stderr.split("\n") if "added.js" in line] == [True]
