"""The house keeps its plan: who imports whom, a test file for each module, the fixed top level, no machine's paths."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
STDLIB = frozenset(sys.stdlib_module_names)

# The wire is pure. Two modules can touch files; only the dictionary loader has them, to read one TOML file.
PURE = frozenset(
    "__future__ binascii collections dataclasses enum functools hashlib hmac itertools math operator re struct tomllib "
    "types typing".split()
)
READS_FILES = {"importlib", "pathlib"}

# Clocks, ports, threads and the operating system: never in the wire or the computations, in the twin only where it
# listens.
OUTSIDE = frozenset(
    "asyncio concurrent ctypes fcntl http multiprocessing os pty queue sched select selectors serial shutil signal "
    "socket socketserver sqlite3 ssl subprocess tempfile termios threading time tty urllib".split()
)

HTTP_LAYER = {"server.routes", "server.app"}
MAY_IMPORT_HTTP = {"server.cli", "server.__main__", "server.app"}

# Modules without a test file of their own name, each with the reason.
WITHOUT_OWN_TEST = {
    "server/__main__.py": "three lines that call server.cli.main; the tests of the command line run it as a process",
}
# Small files that one test file covers together: the scenarios are data, and `scenario` is what they are made of; the
# followers and judgements are parts of the analysis and are tried through it, on flights; the computed tables are a table.
COVERED_TOGETHER = {
    "protocol/events.py": "tests/protocol/test_link.py",
    "server/followers": "tests/server/test_analysis_rules.py",
    "server/judgements": "tests/server/test_judgements.py",
    "server/computed_tables.py": "tests/server/test_tables.py",
    "server/twin/scenarios": "tests/server/twin/test_scenarios.py",
    "server/twin/scenario.py": "tests/server/twin/test_scenarios.py",
}

TOP_LEVEL = set(
    ".ci .gitignore DEVELOPERS.md LICENSE README.md protocol pyproject.toml replay_samples server tests web".split()
)

# Each in two halves, so that this file does not find itself.
HALVES = [
    ("/wo", "rk/"),
    ("/tmp/", "venv"),
    ("/ro", "ot/"),
    ("/ho", "me/"),
    ("/Us", "ers/"),
    (":\\Us", "ers\\"),
    ("pypi", ".org"),
    ("python", "hosted.org"),
    ("registry.npm", "js"),
    ("proxy.go", "lang.org"),
    ("index", "-url"),
]
MACHINE = [one + other for one, other in HALVES]


def modules(package: str) -> list[Path]:
    """Return the Python files of a package and its sub-packages, relative to the root."""
    return sorted(path.relative_to(ROOT) for path in (ROOT / package).rglob("*.py"))


def dotted(path: Path) -> str:
    """Turn server/flight/phase.py into server.flight.phase, and a package's __init__ into the package."""
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(path: Path, source: str) -> Iterator[str]:
    """Yield the full name of everything a file imports, wherever in the file the import stands."""
    package = path.parent.parts
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else ()
            base = ".".join([*above, *([node.module] if node.module else [])])
            # `from server import app` imports server.app; `from math import pi` becomes math.pi, which does no harm.
            yield from (f"{base}.{alias.name}" for alias in node.names)


def inside(name: str, package: str) -> bool:
    """Tell whether `name` is `package` or something in it."""
    return name == package or name.startswith(package + ".")


def objections(path: Path, source: str) -> list[str]:
    """Return what a file of the house imports against the plan."""
    me = dotted(path)
    wrong = []
    for name in imported(path, source):
        top = name.split(".")[0]
        if inside(me, "protocol"):
            files = READS_FILES if me == "protocol.dictionary" else set()
            fine = top in PURE | files | {"numpy", "cobs", "protocol"}
        elif inside(me, "server.flight"):
            fine = inside(name, "server.flight") or top in {"protocol", "numpy"} or (top in STDLIB and top not in OUTSIDE)
        elif inside(me, "server.twin"):
            ours = inside(name, "server.twin") or inside(name, "server.flight") or top in {"protocol", "numpy"}
            listens = me == "server.twin.listener" and top in OUTSIDE
            fine = ours or listens or (top in STDLIB and top not in OUTSIDE)
        else:
            http = any(inside(name, module) for module in HTTP_LAYER)
            fine = not inside(name, "tests") and (not http or me in MAY_IMPORT_HTTP)
        if not fine:
            wrong.append(f"{path} imports {name}")
    return wrong


def tracked() -> list[str]:
    """Return what is, or would be, in the repository: tracked files and new ones that are not ignored."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, check=True).stdout.decode()
    return sorted({name for name in listed.split("\0") if name and (ROOT / name).is_file()})


def machine_names(data: bytes) -> list[bytes]:
    """Return every machine's path or registry named in a file."""
    return re.findall("|".join(re.escape(text) for text in MACHINE).encode(), data)


# ---------------------------------------------------------------- imports


@pytest.mark.parametrize("path", [*modules("protocol"), *modules("server")], ids=str)
def test_imports_run_one_way(path: Path) -> None:
    assert objections(path, (ROOT / path).read_text("utf-8")) == []


@pytest.mark.parametrize(
    ("path", "source", "objected"),
    [
        ("protocol/x.py", "import time", "time"),
        ("protocol/x.py", "from os import path", "os.path"),
        ("protocol/x.py", "def f():\n    import socket", "socket"),
        ("protocol/x.py", "from server.flight import altitude", "server.flight.altitude"),
        ("protocol/x.py", "import scipy", "scipy"),
        ("protocol/link.py", "import pathlib", "pathlib"),
        ("server/flight/x.py", "from server import twin", "server.twin"),
        ("server/flight/x.py", "import server.pipeline", "server.pipeline"),
        ("server/flight/x.py", "from .. import pipeline", "server.pipeline"),
        ("server/flight/x.py", "import scipy.integrate", "scipy.integrate"),
        ("server/flight/x.py", "from time import monotonic", "time.monotonic"),
        ("server/twin/x.py", "from server.clock import Clock", "server.clock.Clock"),
        ("server/twin/x.py", "import threading", "threading"),
        ("server/twin/x.py", "import fastapi", "fastapi"),
        ("server/twin/listener.py", "from server import bridge", "server.bridge"),
        ("server/hub.py", "from server import app", "server.app"),
        ("server/hub.py", "from server.routes import router", "server.routes.router"),
        ("server/hub.py", "from . import routes", "server.routes"),
        ("server/hub.py", "from tests.traffic import KEY", "tests.traffic.KEY"),
    ],
)
def test_a_wrong_import_is_seen(path: str, source: str, objected: str) -> None:
    assert objections(Path(path), source) == [f"{path} imports {objected}"]


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("protocol/link.py", "from collections import deque\nfrom protocol.sequence import Place\nimport numpy as np"),
        ("protocol/dictionary.py", "from importlib import resources\nfrom pathlib import Path"),
        ("server/flight/x.py", "from . import altitude\nfrom protocol.fields import Channel\nimport statistics"),
        ("server/twin/x.py", "from server.flight.attitude import tilt\nfrom server.twin import air"),
        ("server/twin/listener.py", "import socket, threading, serial, os"),
        ("server/cli.py", "from server.app import build"),
        ("server/application.py", "from server.appliance import x"),
    ],
)
def test_a_right_import_is_not_objected_to(path: str, source: str) -> None:
    assert objections(Path(path), source) == []


# ---------------------------------------------------------------- tests mirror the source


def mirror_of(path: Path) -> Path:
    """Return the test file a module must have."""
    for package, together in COVERED_TOGETHER.items():
        if path.is_relative_to(package):
            return Path(together)
    return Path("tests") / path.parent / f"test_{path.name}"


@pytest.mark.parametrize(
    "path", [path for path in [*modules("protocol"), *modules("server")] if path.name != "__init__.py"], ids=str
)
def test_each_module_has_its_test_file(path: Path) -> None:
    has_test = (ROOT / mirror_of(path)).is_file()
    if path.as_posix() in WITHOUT_OWN_TEST:
        assert not has_test, "an exception that is none any more"
    else:
        assert has_test, f"{mirror_of(path)} is missing"


def test_the_exceptions_exist() -> None:
    assert [name for name in [*WITHOUT_OWN_TEST, *COVERED_TOGETHER] if not (ROOT / name).exists()] == []


def test_each_tests_folder_is_a_package_with_a_sentence() -> None:
    """Without an __init__.py in every folder, `import protocol` would find tests/protocol."""
    folders = {path.parent for path in (ROOT / "tests").rglob("*.py")}
    for folder in folders:
        assert ast.get_docstring(ast.parse((folder / "__init__.py").read_text("utf-8"))), folder


# ---------------------------------------------------------------- the tree


def test_only_the_fixed_names_at_the_top() -> None:
    names = tracked()
    assert names, "git lists no files"
    assert {name.split("/")[0] for name in names} - TOP_LEVEL == set()
    assert [name for name in names if name.startswith(".ci/")] == [".ci/run"]


def test_nothing_names_a_machine_or_a_package_registry() -> None:
    found = {name: machine_names((ROOT / name).read_bytes()) for name in tracked()}
    assert {name: names for name, names in found.items() if names} == {}


@pytest.mark.parametrize("text", MACHINE)
def test_a_machine_path_would_be_seen(text: str) -> None:
    """The search works on bytes, in the middle of a line, in a file that is no text."""
    assert machine_names(b"\x00\xffsee " + text.encode() + b"x") == [text.encode()]
    assert machine_names(b"see the workshop, at home, and the index") == []
