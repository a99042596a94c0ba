"""The cable to the flight computer: here the standard input and output of a program of this computer."""

from __future__ import annotations

import os
import select
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


class ProgramWire:
    """Flight code compiled for this computer: its standard input and output are the cable."""

    def __init__(self, program: Path, arguments: Sequence[str]) -> None:
        """Start it; raises WireProblem when it cannot be started."""
        self._name = str(program)
        try:
            self._process = subprocess.Popen(
                [str(program.resolve()), *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0
            )
        except OSError as error:
            raise WireProblem(f"{program} cannot be started: {error.strerror}.") from error
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
