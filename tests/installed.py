"""What an installation of Blockhouse must do wherever it was installed: tried from outside, with its own interpreter.

Used on a wheel in an environment of its own (`tests/test_wheel.py`) and on the lowest versions of everything it needs
(`python -m tests.lowest`).
"""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import subprocess
import threading
from html.parser import HTMLParser
from pathlib import Path, PurePosixPath
from urllib.parse import urljoin

from websockets.sync.client import connect
from websockets.typing import Origin

PAGE = re.compile(r"Page: http://127\.0\.0\.1:(\d+)/")
# What a module of the page brings in, and what a style does: import "./x.js", export ... from, import("./x.js"), url(x).
IMPORTED = re.compile(r"""(?:\bfrom|\bimport)\s*\(?\s*["']([^"']+\.js)["']""")
STYLED = re.compile(r"""(?:@import\s+(?:url\()?|url\()["']?([^"')]+)["']?""")
WITHIN_S = 180.0


class Installed:
    """An interpreter that has Blockhouse, and a folder of its own to work in; nothing of this checkout is within reach."""

    def __init__(self, python: Path, home: Path) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self.python, self.home = python, home
        self._environment = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("PYTHON", "VIRTUAL_ENV", "BLOCKHOUSE", "COVERAGE"))
        } | {"BLOCKHOUSE_HOME": str(home / "home"), "PYTHONUNBUFFERED": "1"}

    def command(self, *arguments: str) -> list[str]:
        """Return the console command `blockhouse` of that environment with arguments."""
        return [str(self.python.parent / "blockhouse"), *arguments]

    def run(self, *arguments: str) -> str:
        """Run `blockhouse` to its end; return what it printed. Raises AssertionError with its words when it fails."""
        return self._ended(self.command(*arguments))

    def python_says(self, code: str) -> str:
        """Run a few lines of Python there; return what they printed."""
        return self._ended([str(self.python), "-c", code])

    def _ended(self, command: list[str]) -> str:
        ended = subprocess.run(
            command, cwd=self.home, env=self._environment, capture_output=True, text=True, timeout=WITHIN_S, check=False
        )
        assert ended.returncode == 0, f"{command}: {ended.returncode}\n{ended.stdout}\n{ended.stderr}"
        return ended.stdout

    def fly(self, rate: int) -> Path:
        """Fly the demonstration to its landing; return the session file that it prints last."""
        told = self.run("demo", "--no-browser", "--http-port", "0", "--quit-when", "landed", "--rate", str(rate))
        session = Path(told.splitlines()[-1])
        assert session.suffix == ".pcapng" and session.is_file(), told
        return session

    def show(self) -> list[str]:
        """Start the demonstration, load its whole page, hear its telemetry, end it; return the paths of the page's files.

        Raises AssertionError when a file is missing or it does not end in order, TimeoutError when no telemetry comes.
        """
        command = self.command("demo", "--no-browser", "--http-port", "0")
        lines: list[str] = []
        names: list[str] = []
        with subprocess.Popen(
            command, cwd=self.home, env=self._environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        ) as demo:
            late = threading.Timer(WITHIN_S, demo.kill)
            late.start()
            try:
                assert demo.stdout is not None
                for line in demo.stdout:
                    lines.append(line.rstrip())
                    if found := PAGE.search(line):
                        names = load_page(int(found[1]))
                        hear(int(found[1]))
                        demo.terminate()
                code = demo.wait()
            finally:
                demo.kill()
                late.cancel()
        assert code == 0 and names, "\n".join(lines)
        return names


class _References(HTMLParser):
    """The files that a page of HTML names."""

    def __init__(self) -> None:
        super().__init__()
        self.names: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        wanted = {"link": "href", "script": "src", "img": "src"}.get(tag)
        self.names += [value for name, value in attrs if name == wanted and value and not value.startswith("data:")]


def load_page(port: int) -> list[str]:
    """Load the page and everything it names, as a browser would; return the paths. Raises AssertionError: one is missing."""
    waiting, seen = ["/"], {"/"}
    while waiting:
        path = waiting.pop()
        for name in named_in(path, load(port, path)):
            if name not in seen:
                seen.add(name)
                waiting.append(name)
    return sorted(seen)


def load(port: int, path: str) -> str:
    """Return one file of the page. Raises AssertionError when it is not there."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    with contextlib.closing(connection):
        connection.request("GET", path)
        answer = connection.getresponse()
        body = answer.read()
    assert answer.status == 200 and body, f"{path}: {answer.status}"
    return body.decode("utf-8")


def named_in(path: str, text: str) -> list[str]:
    """Return the paths of all files of ours that a file of the page names."""
    kind = PurePosixPath(path).suffix
    if kind == "":
        page = _References()
        page.feed(text)
        names = page.names
    else:
        pattern = {".js": IMPORTED, ".css": STYLED}.get(kind)
        names = pattern.findall(text) if pattern else []
    return [urljoin(path, name) for name in names if not name.startswith(("data:", "http:", "https:"))]


def hear(port: int) -> None:
    """Open the page's socket and wait for two messages. Raises TimeoutError or what the connection raises."""
    origin = Origin(f"http://127.0.0.1:{port}")
    with connect(f"ws://127.0.0.1:{port}/ws/view", origin=origin, open_timeout=60) as socket:
        for _ in range(2):
            socket.recv(timeout=60)
