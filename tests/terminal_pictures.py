"""Take pictures of what commands print for a person: `python -m tests.terminal_pictures OUT`, at 80 and 120 columns.

Each command is run on a pseudo-terminal of that width, as a person's is; OUT gets an SVG with its
colors and the same as text.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import re
import struct
import subprocess
import sys
import tempfile
import termios
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.browser.station import ROOT, BareProcess
from tests.forked import Forked
from tests.forked import possible as forking_is_possible

SAMPLES = ROOT / "replay_samples"
SHEET = ROOT / "server" / "design" / "sheets" / "sandpiper.toml"
WIDTHS = (80, 120)
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
# The command's name and its arguments; `{port}` is a simulated vehicle's.
COMMANDS: dict[str, tuple[str, ...]] = {
    "help": (),
    "summary": ("summary", str(SAMPLES / "gusty-bad-number.pcapng")),
    "compare": ("compare", *(str(SAMPLES / f"{name}.pcapng") for name in ("calm", "gusty-bad-number", "thin-link"))),
    "next": ("next", str(SAMPLES / "calm.pcapng"), "--mass-g", "80"),
    "configuration": ("configuration", str(SHEET)),
    "check": ("check", "--port", "{port}", "--listen", "3", "--listen-only"),
    "doctor": ("doctor",),
    "ports": ("ports", "--all"),
    "padsheet": ("padsheet", str(ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml")),
}


def environment(home: Path, more: Mapping[str, str]) -> dict[str, str]:
    """Return the environment of a person's terminal with nothing chosen but by `more`."""
    kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES", "NO_COLOR", "TERM")}
    return {**kept, "BLOCKHOUSE_HOME": str(home), "TERM": "xterm", "PYTHONUTF8": "1", **more}


def on_terminal(home: Path, columns: int, *arguments: str, **more: str) -> str:
    """Return what a command prints on a pseudo-terminal that is so wide; `more` is put into its environment."""
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, columns, 0, 0))
    process = _started(arguments, environment(home, more), theirs)
    os.close(theirs)
    heard = b""
    while chunk := _read(ours):
        heard += chunk
    os.close(ours)
    process.wait(30)
    return heard.decode().replace("\r\n", "\n")


def _started(arguments: Sequence[str], env: dict[str, str], terminal: int) -> Forked | subprocess.Popen[bytes]:
    if forking_is_possible():
        return Forked("server", arguments, ROOT, env, terminal)
    command = [sys.executable, "-m", "server", *arguments]
    return subprocess.Popen(command, cwd=ROOT, env=env, stdin=subprocess.DEVNULL, stdout=terminal, stderr=terminal)


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except OSError:  # nobody holds the other end any more
        return b""


def plain(text: str) -> str:
    """Return a terminal's text without its escapes, without what is cleared or blank at a line's end."""
    lines = [line.rpartition("\r")[2].rstrip() for line in ESCAPES.sub("", text).split("\n")]
    return "\n".join(lines)


@contextmanager
def vehicle(home: Path) -> Iterator[str]:
    """Run a simulated vehicle that waits on its pad; yield its port."""
    twin = BareProcess(home, "twin", "--listen", "socket://127.0.0.1:0", "--ignite-after", "100000")
    try:
        yield twin.line(r"(socket://127\.0\.0\.1:\d+)")[1]
    finally:
        twin.stop()


def main() -> None:
    """Take the pictures."""
    from rich.console import Console
    from rich.text import Text

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, metavar="OUT", help="folder of the pictures")
    out: Path = parser.parse_args().out
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home, vehicle(Path(home)) as port:
        for name, arguments in COMMANDS.items():
            for columns in WIDTHS:
                said = on_terminal(Path(home), columns, *(part.format(port=port) for part in arguments))
                (out / f"{name}-{columns}.txt").write_text(plain(said), "utf-8")
                with open(os.devnull, "w") as nowhere:
                    console = Console(width=columns, record=True, file=nowhere, force_terminal=True)
                    console.print(Text.from_ansi(said.rstrip()), end="")
                # The picture needs no font from anywhere.
                drawn = re.sub(r"@font-face \{.*?\}", "", console.export_svg(title=f"blockhouse {name}"), flags=re.S)
                (out / f"{name}-{columns}.svg").write_text(drawn, "utf-8")
                print(out / f"{name}-{columns}.svg", flush=True)


if __name__ == "__main__":
    main()
