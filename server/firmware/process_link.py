"""The compiled library in place of `protocol.vehicle.VehicleLink`: same calls, the bytes come from C.

The program is `bh_host.c` of the generated files, compiled. It is driven over its standard input and output; how a
request looks stands at the top of that file. The simulated vehicle flies with it, and the tests compare it with the
ground's own code.
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.vehicle import Order, Rejected, Repeat
from server.problems import Problem

HEAD = struct.Struct(">cI")
SIZE = struct.Struct(">I")


class EncoderProblem(Problem):
    """The encoder program cannot be used; the text is one plain sentence."""


class Program:
    """One running program. `ask` sends a request and returns the reply; use as a context or call `close`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._process = subprocess.Popen([str(path.resolve())], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        except OSError as error:
            raise EncoderProblem(f"{path} cannot be started: {error.strerror}.") from error
        assert self._process.stdin is not None and self._process.stdout is not None  # both were asked for
        self._requests, self._replies = self._process.stdin, self._process.stdout

    def ask(self, letter: str, payload: bytes = b"") -> bytes:
        """Send one request, return its reply; raises EncoderProblem when the program is gone."""
        try:
            self._requests.write(HEAD.pack(letter.encode(), len(payload)) + payload)
            self._requests.flush()
        except OSError as error:
            raise EncoderProblem(f"{self.path} has ended.") from error
        return self._read(SIZE.unpack(self._read(SIZE.size))[0])

    def _read(self, size: int) -> bytes:
        data = self._replies.read(size)
        if len(data) != size:
            raise EncoderProblem(f"{self.path} has ended or is no encoder made by 'blockhouse firmware'.")
        return data

    def close(self) -> None:
        """End the program."""
        with suppress(BrokenPipeError):  # what it never read stays unread
            self._requests.close()
        self._replies.close()
        self._process.wait(5)

    def __enter__(self) -> Program:
        return self

    def __exit__(self, *problem: object) -> None:
        self.close()


class ProcessLink:
    """One start of a vehicle whose half of the wire is compiled C."""

    def __init__(self, program: Program, dictionary: Dictionary, key: bytes, boot_id: int) -> None:
        self.dictionary = dictionary
        self.boot_id = boot_id
        self._program = program
        self._places = {
            packet.name: place for place, packet in enumerate(sorted(dictionary.packets.values(), key=lambda p: p.apid))
        }
        self._codes = dictionary.command_by_code
        told = program.ask("K", struct.pack(">32sHI", key, boot_id, 0)).hex()
        if told != f"{dictionary.hash32:08x}":
            sentence = f"{program.path} was built from another dictionary (hash {told}, ours is {dictionary.hash32:08x})"
            raise EncoderProblem(f"{sentence}; make it again with 'blockhouse firmware'.")

    @property
    def last_counter(self) -> int:
        """The last counter taken."""
        return self._counts()[0]

    @property
    def frames_good(self) -> int:
        """Uplink frames accepted."""
        return self._counts()[1]

    @property
    def frames_bad(self) -> int:
        """Uplink frames dropped or refused."""
        return self._counts()[2]

    def _counts(self) -> tuple[int, int, int]:
        return struct.unpack(">III", self._program.ask("N"))

    def frame(self, packet: str, vehicle_ms: int, values: Mapping[str, object]) -> bytes:
        """Return the complete frame of one packet; raises ValueRefused when a value does not fit its field."""
        parts = [struct.pack(">BI", self._places[packet], vehicle_ms % 2**32)]
        for channel in self.dictionary.packets[packet].channels:
            value = values[channel.name]
            if channel.kind == "text":
                text = str(value).encode("utf-8")
                parts.append(struct.pack(">H", len(text)) + text)
            else:
                parts.append(struct.pack(">d", channel.number_of(value)))
        frame = self._program.ask("P", b"".join(parts))
        if not frame:
            raise ValueRefused(packet, dict(values), "is refused by the compiled encoder")
        return frame

    def receive(self, data: bytes, vehicle_ms: int = 0) -> list[Order | Repeat | Rejected]:
        """Take uplink bytes as they come; return what each completed frame means, in order.

        What is answered at once (repeats and refusals alike) comes as Repeat with one frame each.
        """
        reply = self._program.ask("R", struct.pack(">I", vehicle_ms % 2**32) + data)
        out: list[Order | Repeat | Rejected] = []
        at = 0
        while at < len(reply):
            kind, at = reply[at : at + 1], at + 1
            if kind == b"O":
                counter, code, count = struct.unpack_from(">IBB", reply, at)
                values = struct.unpack_from(f">{count}d", reply, at + 6)
                at += 6 + 8 * count
                out.append(self._order(counter, code, values))
            elif kind == b"A":
                (size,) = struct.unpack_from(">H", reply, at)
                out.append(Repeat(0, (reply[at + 2 : at + 2 + size],)))
                at += 2 + size
            else:
                out.append(Rejected("dropped"))
        return out

    def _order(self, counter: int, code: int, values: tuple[float, ...]) -> Order:
        command = self._codes[code]
        args = {arg.name: value for arg, value in zip(command.args, values, strict=True)}
        return Order(counter, command.name, args, code)

    def answer(self, order: Order, stage: str, reason: str, vehicle_ms: int) -> bytes:
        """Return the answer frame for `order`, remembered so that a repeat gets the same answer."""
        channel = self.dictionary.packets["answer"].channel
        numbers = int(channel("stage").number_of(stage)), int(channel("reason").number_of(reason))
        return self._program.ask("W", struct.pack(">IBBBI", order.counter, order.code, *numbers, vehicle_ms % 2**32))
