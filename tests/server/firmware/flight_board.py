"""The example flight computer on an emulated board: its serial port a local socket.

A local one, because the emulator sends byte by byte, and over TCP each waits for the receipt of the one before.
"""

from __future__ import annotations

import select
import socket
import subprocess
import tempfile
from pathlib import Path
from typing import Self

from server.firmware.flight_source import emulator_command
from tests.protocol.helpers import KEY
from tests.server.firmware.flight_play import Computer

COUNTING = ("-icount", "shift=5")  # 32 nanoseconds of the board's time an instruction


class BoardComputer(Computer):
    """An image that runs in qemu-system-arm, which connects to a socket of ours."""

    def __init__(self, image: Path, folder: Path, counted: bool = False) -> None:
        (folder / "fc.key").write_text(KEY.hex())
        with socket.socket(socket.AF_UNIX) as server, tempfile.TemporaryDirectory() as place:  # a path must be short
            server.bind(f"{place}/serial")
            server.listen()
            serial = f"unix:{place}/serial"
            command = emulator_command(image, serial, COUNTING if counted else ())
            self.process = subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
            ready, _, _ = select.select([server], [], [], 20.0)
            assert ready, "the emulator did not connect"
            self._socket, _ = server.accept()
        super().__init__(self._socket.fileno(), self._socket.fileno())

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *problem: object) -> None:
        self._socket.close()
        self.process.terminate()
        self.process.communicate(timeout=10)

    def ended(self) -> str:
        """Wait until the emulator ends by itself; return what it said."""
        said, _ = self.process.communicate(timeout=20)
        return said.decode()
