"""A wheel in an environment of its own does what the checkout does: it flies, shows its page, has samples and firmware."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from collections.abc import Sequence
from pathlib import Path

import pytest

from server import __version__
from tests.installed import Installed, named_in
from tests.lowest import declared, lowest
from tests.test_layout import ROOT, tracked

PACKAGES = ("protocol", "replay_samples", "server", "web")
PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--no-input")
WHERE = "import json, protocol, replay_samples, server, web; print(json.dumps([list(m.__path__)[0] for m in ({})]))"
OFFERED = """
import json, pathlib
from server.settings import sample_folder
from server.shelf.shelf import Shelf
items = Shelf(pathlib.Path("none"), samples=sample_folder()).items()
print(json.dumps([item["name"] for item in items if item["openable"]]))
"""


def packaged() -> set[str]:
    """Return the names of all files of the repository that belong into a wheel; texts for readers of the code do not."""
    return {name for name in tracked() if name.split("/")[0] in PACKAGES and not name.endswith(".md")}


def pip(*arguments: str | Path) -> None:
    """Run pip without any package index. Raises AssertionError with its words when it fails."""
    ended = subprocess.run([*PIP, *map(str, arguments)], capture_output=True, text=True, timeout=180, check=False)
    assert ended.returncode == 0, ended.stdout + ended.stderr


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel built from a copy of the repository, since a build leaves its own files in the tree it is made from."""
    folder = tmp_path_factory.mktemp("wheel")
    for name in tracked():
        place = folder / "source" / name
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, place)
    pip("wheel", "--no-deps", "--no-build-isolation", "--no-index", "--wheel-dir", folder, folder / "source")
    (built,) = folder.glob("blockhouse-*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path) -> Installed:
    """The wheel in an environment that has the libraries of this one, and of Blockhouse only what the wheel brings."""
    folder = wheel.parent / "venv"
    venv.create(folder, with_pip=False, symlinks=os.name != "nt")
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    place = Installed(python, wheel.parent / "work")
    pip("--python", python, "install", "--no-deps", "--no-index", wheel)
    site = Path(place.python_says("import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    # A folder named by a .pth file is searched after the environment's own; .pth files in it are not read, so that the
    # editable installation of this checkout stays out of reach.
    libraries = {sysconfig.get_path(kind) for kind in ("purelib", "platlib")}
    (site / "libraries.pth").write_text("\n".join(sorted(libraries)), "utf-8")
    return place


def test_every_file_is_in_the_wheel(wheel: Path) -> None:
    names = {name for name in zipfile.ZipFile(wheel).namelist() if not name.endswith(("/", ".md"))}
    assert {name for name in names if ".dist-info/" not in name} == packaged()


def test_nothing_comes_from_the_checkout(installed: Installed) -> None:
    folders = json.loads(installed.python_says(WHERE.format(", ".join(PACKAGES))))
    assert all(Path(folder).is_relative_to(installed.python.parent.parent) for folder in folders), folders


def test_folders_of_the_same_names_where_somebody_works_are_not_taken_for_its_own(installed: Installed) -> None:
    """A folder without an `__init__.py` is a package to Python as well, and the first of several comes first."""
    for package in PACKAGES:
        (installed.home / package).mkdir()
    folders = json.loads(installed.python_says(WHERE.format(", ".join(PACKAGES))))
    for package in PACKAGES:
        (installed.home / package).rmdir()
    assert all(Path(folder).is_relative_to(installed.python.parent.parent) for folder in folders), folders


def test_it_tells_its_version(installed: Installed) -> None:
    assert installed.run("--version").startswith(f"blockhouse {__version__}, ")


def test_no_file_of_the_page_is_missing(installed: Installed) -> None:
    """Walked from the page as a browser does; every module in the tree is reached by that walk, or it would prove little."""
    modules = {Path(name).name for name in packaged() if name.startswith("web/") and name.endswith((".js", ".css"))}
    assert modules <= {Path(path).name for path in installed.show()}


def test_it_flies_to_the_ground_and_tells_the_flight_in_numbers(installed: Installed) -> None:
    session = installed.fly(30)
    summary = json.loads(installed.run("summary", str(session), "--json"))
    assert summary["closed"] and summary["landing_t"] is not None


def test_the_samples_come_along(installed: Installed) -> None:
    offered = json.loads(installed.python_says(OFFERED))
    assert sorted(offered) == sorted(path.stem for path in (ROOT / "replay_samples").glob("*.pcapng"))
    folder = Path(installed.python_says("from server.settings import sample_folder; print(sample_folder())").strip())
    told = json.loads(installed.run("summary", str(folder / "calm.pcapng"), "--json"))
    stored = json.loads((folder / "calm.summary.json").read_text("utf-8"))
    assert told["session"] == "calm" and told["packets"] == stored["packets"]


def test_it_writes_the_flight_computers_half(installed: Installed) -> None:
    installed.run("firmware", "--out", "firmware")
    written = {path.relative_to(installed.home / "firmware").as_posix() for path in installed.home.glob("firmware/**/*")}
    assert {"blockhouse.h", "host/bh_host.c", "firmware.ino"} <= written


# ---------------------------------------------------------------- what the tests above lean on


@pytest.mark.parametrize(
    ("path", "text", "names"),
    [
        ("/", '<link rel="stylesheet" href="/a.css"><script type="module" src="b/c.js"></script>', ["/a.css", "/b/c.js"]),
        (
            "/b/c.js",
            'import { x } from "../d.js";\nimport "./e.js"; await import("./f.js")',
            ["/d.js", "/b/e.js", "/b/f.js"],
        ),
        (
            "/b/a.css",
            '@import "g.css"; p { background: url(h.svg) } q { background: url("data:x") }',
            ["/b/g.css", "/b/h.svg"],
        ),
        ("/i.svg", 'from "./x.js"', []),
    ],
    ids=lambda value: value if isinstance(value, str) and len(value) < 9 else None,
)
def test_what_a_file_of_the_page_names(path: str, text: str, names: list[str]) -> None:
    assert named_in(path, text) == names


@pytest.mark.parametrize(
    ("requirements", "pinned"),
    [
        (["fastapi>=0.133,<1", "a-b==1.0.0"], ["fastapi==0.133", "a-b==1.0.0"]),
        (["x >= 2"], ["x==2"]),
    ],
)
def test_the_lowest_of_a_range(requirements: Sequence[str], pinned: list[str]) -> None:
    assert lowest(requirements) == pinned


@pytest.mark.parametrize("requirement", ["x", "x<2", "x~=1"])
def test_a_range_without_a_lowest_version_is_refused(requirement: str) -> None:
    with pytest.raises(ValueError, match="no lowest version"):
        lowest([requirement])


def test_every_dependency_says_its_lowest_version() -> None:
    text = (ROOT / "pyproject.toml").read_text("utf-8")
    assert len(lowest(declared(text, True))) == len(declared(text, False)) + 1 > 5
