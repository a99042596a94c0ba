"""The cable to the flight computer: a serial port, or the standard input and output of a program of this computer."""

from __future__ import annotations

import os
import select
import socket
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from server.problems import Problem

READ_AT_MOST = 1 << 16
ENDS_WITHIN_S = 2.0


class WireProblem(Problem):
    """The flight computer cannot be reached, or is gone; the text is one plain sentence."""


class Wire(Protocol):
    """One end of the cable."""

    def write(self, data: bytes) -> object:
        """Send; raises WireProblem when the other end is gone."""

    def read(self, wait_s: float) -> bytes:
        """Return what has arrived, waiting for the first byte so long at most; raises WireProblem when the end is gone."""
        ...

    def close(self) -> None:
        """Let go of it."""


class Port(Protocol):
    """What is asked of an open serial port, as pyserial's classes have it; times in s."""

    timeout: float | None

    def fileno(self) -> int:
        """Return the number of the open file; raises OSError where there is none."""
        ...

    def read(self, size: int = ..., /) -> bytes:
        """Return up to `size` bytes, fewer when the time-out ends it."""
        ...

    def write(self, b: bytes, /) -> int | None:
        """Send."""
        ...

    def close(self) -> None:
        """Give it back."""
        ...


class PortWire:
    """An open serial port, called `name` in what is said of it.

    Where it is a file of the system it is waited for as one, so that a wait ends with the first byte and not at the
    port's own time-out.
    """

    def __init__(self, port: Port, name: str) -> None:
        self._port, self._name = port, name
        try:
            self._file: int | None = port.fileno()
        except OSError:  # an rfc2217:// port
            self._file = None
        if self._file is not None and name.startswith("socket://"):
            with socket.socket(fileno=os.dup(self._file)) as same:
                same.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # a step is one small packet, wanted now

    def write(self, data: bytes) -> None:
        """Send; raises WireProblem when the port is gone."""
        try:
            self._port.write(data)
        except OSError as error:
            raise WireProblem(f"{self._name} is gone: nothing more can be sent.") from error

    def read(self, wait_s: float) -> bytes:
        """Return what has arrived, waiting so long at most; raises WireProblem when the port is gone."""
        try:
            if self._file is None:
                self._port.timeout = wait_s
                chunk = self._port.read(1)
                self._port.timeout = 0
                return chunk + self._port.read(READ_AT_MOST) if chunk else chunk
            if not select.select([self._file], [], [], wait_s)[0]:
                return b""
            data = os.read(self._file, READ_AT_MOST)
        except OSError as error:
            raise WireProblem(f"{self._name} is gone.") from error
        if not data:
            raise WireProblem(f"{self._name} is closed at the other end.")
        return data

    def close(self) -> None:
        """Give the port back."""
        self._port.close()


class ProgramWire:
    """Flight code compiled for this computer: its standard input and output are the cable."""

    def __init__(self, program: Path, arguments: Sequence[str]) -> None:
        """Start it; raises WireProblem when it cannot be started."""
        self._name, self._command = str(program), [str(program.resolve()), *arguments]
        self._start()

    def _start(self) -> None:
        try:
            self._process = subprocess.Popen(self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
        except OSError as error:
            raise WireProblem(f"{self._name} cannot be started: {error.strerror}.") from error
        assert self._process.stdin is not None and self._process.stdout is not None  # both were asked for
        self._in, self._out = self._process.stdin.fileno(), self._process.stdout.fileno()
        self._poll = select.poll()
        self._poll.register(self._out, select.POLLIN)

    def write(self, data: bytes) -> None:
        """Send; raises WireProblem when the program has ended."""
        try:
            while data:
                data = data[os.write(self._in, data) :]
        except BrokenPipeError as error:
            raise WireProblem(self._ended()) from error

    def read(self, wait_s: float) -> bytes:
        """Return what it has written, waiting so long at most; raises WireProblem when it has ended."""
        if not self._poll.poll(wait_s * 1000.0):
            return b""
        data = os.read(self._out, READ_AT_MOST)
        if not data:
            raise WireProblem(self._ended())
        return data

    def restart(self) -> None:
        """End it as a loss of power does, without a word, and start it anew; raises WireProblem when that fails."""
        self._process.kill()
        self.close()
        self._start()

    def close(self) -> None:
        """End the program."""
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
        try:
            self._process.wait(ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _ended(self) -> str:
        try:
            code = self._process.wait(ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            return f"{self._name} has closed its output."
        return f"{self._name} has ended, exit code {code}." if code >= 0 else f"{self._name} was ended by signal {-code}."
