"""The house keeps its plan: who imports whom, tests by room, the fixed top level, no machine's paths."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
STDLIB = frozenset(sys.stdlib_module_names)

# The wire is pure. Two modules can touch files; only the dictionary loader has them, to read one TOML file.
PURE = frozenset(
    "__future__ binascii collections dataclasses enum functools hashlib hmac itertools json math operator re struct tomllib "
    "types typing".split()
)
READS_FILES = {"importlib", "pathlib"}

# Clocks, ports, threads and the operating system: never in the wire or the computations, in the twin only where it
# listens.
OUTSIDE = frozenset(
    "asyncio concurrent ctypes fcntl http multiprocessing os pty queue sched select selectors serial shutil signal "
    "socket socketserver sqlite3 ssl subprocess tempfile termios threading time tty urllib".split()
)

# The room table: which room of server/ may import which. `FOR_ALL` at its root may be imported by every
# room but protocol, flight and twin; the root's other modules only by each other and by `cli`.
ROOMS: dict[str, str] = {
    "bridge": "",
    "recording": "",
    "telemetry": "protocol",
    "design": "flight",
    "analysis": "telemetry recording design flight protocol",
    "uplink": "telemetry protocol",
    "pad": "telemetry design protocol",
    "trials": "telemetry flight protocol",
    "live": "analysis uplink pad trials bridge recording telemetry design protocol",
    "review": "analysis recording telemetry pad design flight protocol",
    "logs": "flight protocol",
    "shelf": "review recording telemetry logs flight protocol",
    "http": "live shelf review design telemetry uplink recording rehearsal flight protocol",
    "workbench": "bridge recording telemetry uplink logs flight firmware protocol",
    "flight": "protocol",
    "twin": "flight protocol",
    "firmware": "protocol",
    "rehearsal": "recording telemetry twin flight protocol",
}
FOR_ALL = frozenset({"problems", "json_text", "timestamps"})
NEVER_FOR = frozenset({"flight", "twin"})
# Of another room only these modules, where the table alone would say too much.
ONLY = {("analysis", "recording"): frozenset({"records"}), ("http", "rehearsal"): frozenset({"history", "track_file"})}
# Rooms inside server/flight/, most of them alone: an arrow is listed or it is not allowed.
FLIGHT_ROOMS: dict[str, str] = {
    "air": "",
    "motion": "air",
    "airframe": "air motion",
    "control": "",
    "sensors": "",
    "descent": "air",
    "link": "",
    "power": "",
}
AT_MOST = 25  # files of one kind in a folder
ROOT_AT_MOST = 10  # modules at the root of server/

ROOT_ABOVE = frozenset({"__main__", "app", "cli"})  # the only ones that may import the composition root or the command line
READERS = frozenset({"protocol.dictionary_file"})  # the dictionary loader reads one TOML file
# Folders whose code is tried through the room above: trackers and judgements on whole flights, scenarios as data.
TESTED_FROM_ABOVE = {Path("server/analysis/trackers"), Path("server/analysis/judgements"), Path("server/twin/scenarios")}

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
    """Turn server/flight/air/altitude.py into server.flight.air.altitude, and a package's __init__ into the package."""
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


def room_of(name: str) -> str:
    """Return the room a module lies in, or for the root of server/ the module's own name; protocol is one room."""
    parts = name.split(".")
    return "protocol" if parts[0] == "protocol" else (parts[1] if len(parts) > 1 else "")


def is_pure(me: str, name: str, ours: bool) -> bool:
    """Tell whether a module of protocol, flight or twin may import a thing that is not ours: no clocks, ports, threads."""
    top = name.split(".")[0]
    if inside(me, "protocol"):
        return ours or top in PURE | {"numpy", "cobs"} | (READS_FILES if me in READERS else set())
    listens = me == "server.twin.listener" and top in OUTSIDE
    return ours or listens or top == "numpy" or (top in STDLIB and top not in OUTSIDE)


def is_allowed(me: str, name: str) -> bool:
    """Tell whether the room table lets a module of a room import this module of the house."""
    mine, theirs = room_of(me), room_of(name)
    if mine == theirs:
        mine, theirs = (names.split(".")[2] for names in (f"{me}.", f"{name}."))
        return (
            room_of(me) != "flight"
            or mine == theirs
            or theirs not in FLIGHT_ROOMS
            or theirs in FLIGHT_ROOMS.get(mine, "").split()
        )
    if theirs in FOR_ALL:
        return mine not in NEVER_FOR
    only = ONLY.get((mine, theirs))
    return theirs in ROOMS[mine].split() and (only is None or name.split(".")[2] in only)


# Left by the moves; each goes with the cut that mends it.
STILL_ROUND: list[str] = []


def objections(path: Path, source: str) -> list[str]:
    """Return what a file of the house imports against the plan."""
    me = dotted(path)
    wrong = []
    for name in imported(path, source):
        ours = name.split(".")[0] in ("protocol", "server")
        if inside(me, "protocol"):
            fine = is_pure(me, name, inside(name, "protocol"))
        elif room_of(me) in ROOMS:
            pure = room_of(me) not in NEVER_FOR or is_pure(me, name, ours)
            fine = pure and (not ours or is_allowed(me, name)) and not inside(name, "tests")
        else:
            fine = not inside(name, "tests") and (room_of(name) not in ("app", "cli") or room_of(me) in ROOT_ABOVE)
        if not fine:
            wrong.append(f"{path} imports {name}")
    return wrong


def circles(package: str) -> list[list[str]]:
    """Return the circles among the modules of a package, each as its modules; type-only imports count."""
    files = {dotted(path): path for path in modules(package)}
    arrows = {
        me: {
            full
            for name in imported(path, (ROOT / path).read_text("utf-8"))
            if (full := nearest(name, files)) and full != me
        }
        for me, path in files.items()
    }
    return [sorted(group) for group in strong_groups(arrows) if len(group) > 1]


def nearest(name: str, files: Mapping[str, Path]) -> str:
    """Return the module a full name stands for: the name itself, or what it is taken from; "" when it is not of these."""
    return next((part for part in (name, name.rpartition(".")[0]) if part in files), "")


def strong_groups(arrows: Mapping[str, set[str]]) -> list[set[str]]:
    """Return the groups whose members all reach each other, by R. Tarjan's algorithm (SIAM J. Comput. 1, 1972)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    groups: list[set[str]] = []

    def visit(node: str) -> None:
        index[node] = low[node] = len(index)
        stack.append(node)
        for other in arrows[node]:
            if other not in index:
                visit(other)
                low[node] = min(low[node], low[other])
            elif other in stack:
                low[node] = min(low[node], index[other])
        if low[node] == index[node]:
            at = stack.index(node)
            groups.append(set(stack[at:]))
            del stack[at:]

    for node in arrows:
        if node not in index:
            visit(node)
    return groups


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
def test_imports_follow_the_room_table(path: Path) -> None:
    assert objections(path, (ROOT / path).read_text("utf-8")) == []


@pytest.mark.parametrize("package", ["protocol", "server"])
def test_no_module_reaches_itself(package: str) -> None:
    assert [group for group in circles(package) if not any(inside(group[0], name) for name in STILL_ROUND)] == []


def test_a_circle_would_be_seen() -> None:
    arrows = {"a": {"b"}, "b": {"c"}, "c": {"b", "d"}, "d": set()}
    assert [group for group in strong_groups(arrows) if len(group) > 1] == [{"b", "c"}]


def test_the_rooms_are_the_folders_and_run_one_way() -> None:
    folders = {path.name for path in (ROOT / "server").iterdir() if (path / "__init__.py").exists()}
    assert folders == set(ROOMS) | {"cli"}
    for table in (ROOMS, FLIGHT_ROOMS):
        arrows = {room: set(allowed.split()) & set(table) for room, allowed in table.items()}
        assert all(len(group) == 1 for group in strong_groups(arrows))
    inner = {path.name for path in (ROOT / "server" / "flight").iterdir() if (path / "__init__.py").exists()}
    assert inner == set(FLIGHT_ROOMS)


@pytest.mark.parametrize(
    ("path", "source", "objected"),
    [
        ("protocol/x.py", "import time", "time"),
        ("protocol/x.py", "from os import path", "os.path"),
        ("protocol/x.py", "def f():\n    import socket", "socket"),
        ("protocol/x.py", "from server.flight.air import altitude", "server.flight.air.altitude"),
        ("protocol/x.py", "import scipy", "scipy"),
        ("protocol/link.py", "import pathlib", "pathlib"),
        ("server/flight/air/x.py", "from server import twin", "server.twin"),
        ("server/flight/air/x.py", "from server.flight.motion import phase", "server.flight.motion.phase"),
        ("server/flight/x.py", "import server.analysis.pipeline", "server.analysis.pipeline"),
        ("server/flight/x.py", "from ..analysis import pipeline", "server.analysis.pipeline"),
        ("server/flight/x.py", "from server import problems", "server.problems"),
        ("server/flight/x.py", "import scipy.integrate", "scipy.integrate"),
        ("server/flight/x.py", "from time import monotonic", "time.monotonic"),
        ("server/twin/x.py", "from server.recording.clock import Clock", "server.recording.clock.Clock"),
        ("server/twin/x.py", "import threading", "threading"),
        ("server/twin/x.py", "import fastapi", "fastapi"),
        ("server/twin/listener.py", "from server.bridge import ports", "server.bridge.ports"),
        ("server/analysis/x.py", "from server.recording.recorder import Recorder", "server.recording.recorder.Recorder"),
        ("server/review/x.py", "from server.http.messages import update", "server.http.messages.update"),
        ("server/uplink/x.py", "from server import settings", "server.settings"),
        ("server/http/x.py", "from server import app", "server.app"),
        ("server/http/x.py", "from tests.traffic import KEY", "tests.traffic.KEY"),
        ("server/demo.py", "from server.cli import main", "server.cli.main"),
    ],
)
def test_a_wrong_import_is_seen(path: str, source: str, objected: str) -> None:
    assert objections(Path(path), source) == [f"{path} imports {objected}"]


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("protocol/link.py", "from collections import deque\nfrom protocol.sequence import Place\nimport numpy as np"),
        ("protocol/dictionary_file.py", "from importlib import resources\nfrom pathlib import Path"),
        ("server/flight/motion/x.py", "from ..air import altitude\nfrom protocol.fields import Channel\nimport statistics"),
        ("server/twin/x.py", "from server.flight.motion.attitude import tilt\nfrom server.twin import air"),
        ("server/twin/listener.py", "import socket, threading, serial, os"),
        ("server/analysis/x.py", "from server.recording.records import Kind\nfrom server.problems import Problem"),
        ("server/cli/x.py", "from server.app import build"),
    ],
)
def test_a_right_import_is_not_objected_to(path: str, source: str) -> None:
    assert objections(Path(path), source) == []


# ---------------------------------------------------------------- the tree


def test_no_folder_is_a_heap() -> None:
    kinds = Counter((Path(name).parent.as_posix(), Path(name).suffix) for name in tracked() if not name.startswith("tests/"))
    assert {kind: count for kind, count in kinds.items() if count > AT_MOST} == {}
    assert kinds["server", ".py"] <= ROOT_AT_MOST


def test_tests_mirror_the_rooms() -> None:
    """Each folder of code has its folder of tests, and no test lies where there is no code."""
    code = {path.parent for package in ("protocol", "server") for path in modules(package)} - TESTED_FROM_ABOVE
    tests = {path.parent.relative_to("tests") for path in modules("tests") if path.name.startswith("test_")}
    assert sorted(str(folder) for folder in code - tests) == []
    assert sorted(str(folder) for folder in tests - code if folder.parts[:1] in (("protocol",), ("server",))) == []


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
