"""Processes of this program without the second each takes to import: forked from one that has imported everything.

What runs is `python -m server ...` from its first line on, in a process of its own with its own environment and output;
only its modules are there already. That a bare interpreter starts every command is what `tests/server/cli` and
`tests/test_wheel.py` test, with processes of their own.

`python -m tests.forked FD` is the process they are forked from, one for each process that runs tests. It ends with it.
"""

from __future__ import annotations

import atexit
import gc
import json
import os
import runpy
import select
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
IMPORTED = ("server.cli.live", "server.cli.demo", "server.cli.replay", "server.cli.twin")
AT_MOST = 1 << 17  # bytes of one request: arguments and environment


def possible() -> bool:
    """Whether this system can wait for a process that is not its own child, and keep messages apart."""
    return hasattr(os, "pidfd_open") and hasattr(signal, "pidfd_send_signal")


class Forked:
    """What tests use of `subprocess.Popen`: the process of `python -m module arguments`, its output and its end."""

    def __init__(
        self, module: str, arguments: Sequence[str], cwd: Path, env: Mapping[str, str], stdout: int | None = None
    ) -> None:
        """Start it; what it prints goes to the descriptor `stdout`, without one to a pipe."""
        self.args = [module, *arguments]
        asked = {"module": module, "arguments": list(arguments), "cwd": str(cwd), "env": dict(env)}
        if stdout is not None:
            self.stdout = None
            self.pid = _source().ask(asked, stdout)
        else:
            output, theirs = os.pipe()
            try:
                self.pid = _source().ask(asked, theirs)
            finally:
                os.close(theirs)
            self.stdout = open(output, encoding="utf-8")
        self.returncode: int | None = None
        self._lock = threading.Lock()
        self._handle = os.pidfd_open(self.pid)  # holds for this process, whoever gets its number later

    def poll(self) -> int | None:
        """Return the exit code, None while it runs."""
        return self._ended(0.0)

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end and return the exit code. Raises subprocess.TimeoutExpired."""
        code = self._ended(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        return code

    def _ended(self, timeout: float | None) -> int | None:
        with self._lock:
            if self.returncode is None:
                ready = select.poll()
                ready.register(self._handle, select.POLLIN)
                if ready.poll(None if timeout is None else timeout * 1000.0):
                    self.returncode = _source().ask({"wait": self.pid})
                    os.close(self._handle)
            return self.returncode

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended."""
        if self.poll() is None:
            signal.pidfd_send_signal(self._handle, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self.send_signal(signal.SIGKILL)


class Source:
    """The process that others are forked from."""

    def __init__(self) -> None:
        self._line, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        environment = {**os.environ, "PYTHONUNBUFFERED": "1", "OPENBLAS_NUM_THREADS": "1"}  # no threads before a fork
        command = [sys.executable, "-m", "tests.forked", str(theirs.fileno())]
        self._process = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdin=subprocess.DEVNULL, pass_fds=[theirs.fileno()]
        )
        theirs.close()
        self._lock = threading.Lock()
        atexit.register(self.close)

    def ask(self, what: Mapping[str, object], output: int | None = None) -> int:
        """Send a request, with the output of what is to be started; return the number it is answered with."""
        with self._lock:
            socket.send_fds(self._line, [json.dumps(what).encode()], [] if output is None else [output])
            answer = self._line.recv(64)
        assert answer, "the process that others are forked from has ended"
        return int(answer)

    def close(self) -> None:
        """End it; what was forked from it runs on."""
        self._line.close()
        self._process.wait()


@cache
def _source() -> Source:
    return Source()


def serve(line: socket.socket) -> None:
    """Fork and wait as asked, until nobody asks any more; in a forked process, be what was asked for."""
    for name in IMPORTED:
        import_module(name)
    gc.collect()
    gc.freeze()
    while True:
        data, outputs, _, _ = socket.recv_fds(line, AT_MOST, 1)
        if not data:
            return
        asked = json.loads(data)
        if "wait" in asked:
            line.send(b"%d" % os.waitstatus_to_exitcode(os.waitpid(asked["wait"], 0)[1]))
            continue
        pid = os.fork()
        if pid == 0:
            line.close()
            be(asked, outputs[0])
            return
        os.close(outputs[0])
        line.send(b"%d" % pid)


def be(asked: Mapping[str, object], output: int) -> None:
    """Run a module as the interpreter would."""
    for descriptor in (1, 2):
        os.dup2(output, descriptor)
    os.close(output)
    os.chdir(str(asked["cwd"]))
    os.environ.clear()
    os.environ.update(asked["env"])
    sys.argv = [str(asked["module"]), *asked["arguments"]]
    runpy.run_module(str(asked["module"]), run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
