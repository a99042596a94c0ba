"""The compiled library in place of `protocol.vehicle.VehicleLink` and `CommandMemory`: same calls, the bytes come from C.

The program is `bh_host.c` of the generated files, compiled. It is driven over its standard input and output; how a
request looks stands at the top of that file. The simulated vehicle flies with it, and the tests compare it with the
ground's own code.
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from protocol.bound import SAFE_ALL_CODE
from protocol.dictionary import Dictionary
from protocol.fields import Channel
from protocol.vehicle import Order, Rejected, Repeat
from protocol.wire_types import bytes_of, text_size
from server.firmware.layout import in_order
from server.problems import Problem

HEAD = struct.Struct(">cI")
SIZE = struct.Struct(">I")
BEGIN = struct.Struct(">32sIQI")
COUNTS = struct.Struct(">IIIIII")
RADIOS = 4  # of one program


class EncoderProblem(Problem):
    """The encoder program cannot be used; the text is one plain sentence."""


class Program:
    """One running program. `ask` sends a request and returns the reply; use as a context or call `close`."""

    def __init__(self, path: Path, runner: Sequence[str] = ()) -> None:
        """`runner` is a command to run it with, for a program of another processor."""
        self.path = path
        try:
            self._process = subprocess.Popen([*runner, str(path.resolve())], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
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


class ProcessMemory:
    """What one start of the compiled vehicle remembers of the commands it took: `protocol.vehicle.CommandMemory` in C."""

    def __init__(
        self,
        program: Program,
        dictionary: Dictionary,
        key: bytes,
        boot_id: int,
        *,
        vehicle_id: int | None = None,
        last_counter: int = 0,
    ) -> None:
        """Begin the start; `vehicle_id` is the dictionary's where it is not given. Raises EncoderProblem."""
        self.program = program
        self.boot_id = boot_id
        self.vehicle_id = dictionary.uplink.vehicle_id if vehicle_id is None else vehicle_id
        self._radios = 0
        told = program.ask("K", BEGIN.pack(key, self.vehicle_id, boot_id, last_counter)).hex()
        if told != f"{dictionary.hash32:08x}":
            sentence = f"{program.path} was built from another dictionary (hash {told}, ours is {dictionary.hash32:08x})"
            raise EncoderProblem(f"{sentence}; make it again with 'blockhouse firmware'.")

    def take_radio(self) -> int:
        """Return the number of a radio that no link has yet. Raises EncoderProblem when there are no more."""
        if self._radios == RADIOS:
            raise EncoderProblem(f"{self.program.path} has {RADIOS} radios and no more.")
        self._radios += 1
        return self._radios - 1

    def fail_stores(self, fails: bool) -> None:
        """Let storing a counter fail from now on, or not."""
        self.program.ask("F", bytes([fails]))

    @property
    def last_counter(self) -> int:
        """The last counter taken."""
        return self.counts()[0]

    @property
    def safed_counter(self) -> int:
        """The counter of the last Safe all answered as completed in this start, 0 none."""
        return self.counts()[3]

    @property
    def stored(self) -> int:
        """The last counter that was stored, 0 none."""
        return self.counts()[4]

    def counts(self, radio: int = 0) -> tuple[int, int, int, int, int, int]:
        """Return last counter, good frames, bad frames, safed counter, last stored, and the radio's refused values."""
        return COUNTS.unpack(self.program.ask("N", bytes([radio])))


class ProcessLink:
    """One radio of one start of a vehicle whose half of the wire is compiled C."""

    def __init__(
        self, program: Program, dictionary: Dictionary, key: bytes, boot_id: int, memory: ProcessMemory | None = None
    ) -> None:
        """`memory` is shared where the vehicle has more radios than one. Raises EncoderProblem."""
        self.dictionary = dictionary
        self.memory = memory or ProcessMemory(program, dictionary, key, boot_id)
        self._program = program
        self._radio = self.memory.take_radio()
        self._places = {packet.name: place for place, packet in enumerate(in_order(dictionary))}
        self._codes = dictionary.command_by_code
        self._safe_all = next((c.name for c in dictionary.commands.values() if c.safes_all), "safe_all")

    @property
    def boot_id(self) -> int:
        """Identifier of this start."""
        return self.memory.boot_id

    @property
    def last_counter(self) -> int:
        """The last counter taken."""
        return self.memory.last_counter

    @property
    def frames_good(self) -> int:
        """Uplink frames accepted."""
        return self.memory.counts()[1]

    @property
    def frames_bad(self) -> int:
        """Uplink frames dropped or refused."""
        return self.memory.counts()[2]

    @property
    def refused(self) -> int:
        """Values that did not fit their field, and went out as the nearest that does."""
        return self.memory.counts(self._radio)[5]

    def frame(self, packet: str, vehicle_ms: int, values: Mapping[str, object]) -> bytes:
        """Return the complete frame of one packet; what does not fit goes out as the nearest that does, and is counted.

        Raises ValueRefused for what is no number at all.
        """
        parts = [struct.pack(">BBI", self._radio, self._places[packet], vehicle_ms % 2**32)]
        for channel in self.dictionary.packets[packet].channels:
            value = values[channel.name]
            if channel.kind == "text":
                text = self._bytes_of(channel, value) if channel.is_bytes else str(value).encode("utf-8")
                parts.append(struct.pack(">H", len(text)) + text)
            else:
                parts.append(struct.pack(">d", channel.number_of(value)))
        return self._program.ask("P", b"".join(parts))

    def _bytes_of(self, channel: Channel, value: object) -> bytes:
        size = text_size(self.dictionary.packets[channel.packet].fields[channel.field_index].type)
        return bytes_of(value, channel.path, size)

    def identity_frame(self, vehicle_ms: int) -> bytes:
        """Return the frame that says who is speaking, signed for that time."""
        return self._program.ask("I", struct.pack(">BI", self._radio, vehicle_ms % 2**32))

    def receive(self, data: bytes, vehicle_ms: int = 0) -> list[Order | Repeat | Rejected]:
        """Take uplink bytes as they come; return what each completed frame means, in order.

        What is answered at once (repeats and refusals alike) comes as Repeat with one frame each.
        """
        reply = self._program.ask("R", struct.pack(">BI", self._radio, vehicle_ms % 2**32) + data)
        out: list[Order | Repeat | Rejected] = []
        at = 0
        while at < len(reply):
            kind, at = reply[at : at + 1], at + 1
            if kind == b"O":
                counter, code, count = struct.unpack_from(">IBB", reply, at)
                values = struct.unpack_from(f">{count}d", reply, at + 6)
                at += 6 + 8 * count
                out.append(self._order(counter, code, values))
            elif kind == b"S":
                out.append(Order(int.from_bytes(reply[at : at + 4], "big"), self._safe_all, {}, SAFE_ALL_CODE))
                at += 4
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
        return self._program.ask(
            "W", struct.pack(">BIBBBI", self._radio, order.counter, order.code, *numbers, vehicle_ms % 2**32)
        )
