"""Run the page's own tests: node's test runner over the pure modules of web/."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent.parent


def test_page_modules_pass_their_node_tests() -> None:
    node = shutil.which("node")
    assert node is not None, "node is needed for the page's tests; .ci/run installs it"
    files = sorted(str(path) for path in HERE.glob("*.test.js"))
    assert files
    done = subprocess.run([node, "--test", *files], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert "# fail 0" in done.stdout and "# skipped 0" in done.stdout


def test_no_module_calls_what_it_did_not_import() -> None:
    """A browser finds a missing import only when the line runs; here every exported name called elsewhere is looked up."""
    sources = {path.relative_to(ROOT).as_posix(): path.read_text("utf-8") for path in sorted((ROOT / "web").rglob("*.js"))}
    exported = {name for text in sources.values() for name in re.findall(r"export (?:function|const|class) (\w+)", text)}
    wrong = []
    for file, text in sources.items():
        known = set(re.findall(r"\w+", " ".join(re.findall(r"import\s*\{([^}]*)\}", text))))
        known |= set(re.findall(r"(?:function|const|let|class|\*)\s+(\w+)", text))
        known |= set(re.findall(r"[({,]\s*(\w+)(?=\s*[,)}=])", text))  # parameters and taken-apart names
        known |= set(re.findall(r"^\s+(?:async |static )*(\w+)\([^)]*\) \{", text, flags=re.M))  # methods
        code = re.sub(r"//[^\n]*|/\*.*?\*/", "", text, flags=re.S)
        called = set(re.findall(r"(?<![\w.#])(\w+)\(", code))
        wrong += [f"{file}: {name}" for name in sorted(called & exported - known)]
    assert wrong == []
