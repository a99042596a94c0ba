"""The lowest version of every range that `pyproject.toml` allows, installed and tried.

    python -m tests.lowest [--keep DIR] [--parquet]

Makes a fresh environment with Blockhouse and the lowest version of each dependency (what those need in turn comes as new as
they allow), imports every module, flies the demonstration with its page, and runs the commands that use the rest. Needs
a package index. Exit code 0: all of it works.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import tomllib
import venv
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from tests.installed import Installed

ROOT = Path(__file__).resolve().parent.parent
RATE = 20
REQUIREMENT = re.compile(r"([A-Za-z0-9._-]+)\s*(?:>=|==)\s*([0-9][0-9a-z.]*)")
EVERY_MODULE = """
import importlib, pkgutil, protocol, server
for package in (protocol, server):
    for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
"""
PICTURE = "from server.http.sharing import picture; assert b'<svg' in picture('http://192.0.2.7:8731/')"
TABLE = """
import io
from server.cli.paper import ACT, Table, Words, show
terminal = io.StringIO()
terminal.isatty = lambda: True
label = Words("text", label="label", label_width=9)
show([Words("a sentence", ACT, 2), label, Table([("a", "b" * 90)], ("x", "y"))], terminal)
assert "label" in terminal.getvalue() and "b" * 90 not in terminal.getvalue()
"""
FOLDERS = "from server.settings import default_folders; assert all(path.is_absolute() for path in default_folders({}))"


def lowest(requirements: Sequence[str]) -> list[str]:
    """Return `name==version` with the lowest version each requirement allows; raises ValueError where none is said."""
    pinned = []
    for requirement in requirements:
        found = REQUIREMENT.match(requirement)
        if found is None:
            raise ValueError(f"no lowest version in {requirement!r}")
        pinned.append(f"{found[1]}=={found[2]}")
    return pinned


def declared(text: str, parquet: bool) -> list[str]:
    """Return the requirements of a pyproject.toml, with those of Parquet export where asked for."""
    project: Mapping[str, object] = tomllib.loads(text)["project"]
    required, extras = project["dependencies"], project["optional-dependencies"]
    assert isinstance(required, list) and isinstance(extras, dict)
    return [*required, *(extras["parquet"] if parquet else [])]


def steps(place: Installed, parquet: bool) -> Iterator[tuple[str, Callable[[], object]]]:
    """Yield what is tried, by name."""
    flown: list[Path] = []
    yield "every module is imported", lambda: place.python_says(EVERY_MODULE)
    yield "folders of the system", lambda: place.python_says(FOLDERS)
    yield "code to scan", lambda: place.python_says(PICTURE)
    yield "table for a terminal", lambda: place.python_says(TABLE)
    yield "page and socket", place.show
    yield "demonstration", lambda: flown.append(place.fly(RATE))
    yield "summary", lambda: place.run("summary", str(flown[0]))
    yield "report", lambda: place.run("report", str(flown[0]), "report.html")
    yield "export", lambda: place.run("export", str(flown[0]), "--csv", "csv")
    if parquet:
        yield "export to Parquet", lambda: place.run("export", str(flown[0]), "--format", "parquet", "--out", "parquet")
    yield "firmware", lambda: place.run("firmware", "--out", "firmware")
    yield "ports", lambda: place.run("ports")


def main() -> int:
    """Install and try; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, metavar="DIR", help="make the environment there and keep it")
    parser.add_argument("--parquet", action="store_true", help="with the lowest version for Parquet export as well")
    options = parser.parse_args()
    pinned = lowest(declared((ROOT / "pyproject.toml").read_text("utf-8"), options.parquet))
    with tempfile.TemporaryDirectory() as temporary:
        folder = (options.keep or Path(temporary)).resolve()
        python = folder / "venv" / ("Scripts" if sys.platform == "win32" else "bin") / "python"
        venv.create(folder / "venv", with_pip=True, clear=True)
        print(f"Python {sys.version.split()[0]}: {' '.join(pinned)}", flush=True)
        install = [str(python), "-m", "pip", "install", "--quiet", "--editable", str(ROOT), *pinned]
        if subprocess.run(install, check=False).returncode != 0:
            print("FAILED: they cannot be installed together")
            return 1
        for name, step in steps(Installed(python, folder / "work"), options.parquet):
            try:
                step()
            except Exception as error:
                print(f"FAILED: {name}: {error}")
                return 1
            print(f"works: {name}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
