"""Vehicles whose half of the wire is the generated C, compiled: several on one table, each with two radios.

The host program `bh_host.c` is loaded as a library (`table.c`), each vehicle a copy of its own: a pipe to a process would
cost more than all else. What is asked and replied is byte for byte what the process is asked.
"""

from __future__ import annotations

import ctypes
import math
import shutil
import struct
import tempfile
from collections.abc import Callable
from pathlib import Path

from server.firmware.process_link import BEGIN
from tests.attack.oracle import SAFES, Answer, Did, Heard, Oracle, Start, Words, answer_reader

RADIOS = 2


class Machine:
    """One copy of the compiled library, with memory of its own."""

    def __init__(self, library: Path) -> None:
        with tempfile.NamedTemporaryFile(suffix=".so") as copy:
            shutil.copyfile(library, copy.name)
            self._ask = ctypes.CDLL(copy.name).table_ask
        self._ask.restype = ctypes.c_size_t
        self._ask.argtypes = [ctypes.c_char, ctypes.c_char_p, ctypes.c_size_t, ctypes.POINTER(ctypes.c_void_p)]
        self._out = ctypes.c_void_p()

    def ask(self, letter: bytes, data: bytes) -> bytes:
        """Send one request, return its reply."""
        size = self._ask(letter, data, len(data), ctypes.byref(self._out))
        return ctypes.string_at(self._out.value or 0, size) if size else b""


class Vehicle:
    """One board: an identity, a compiled program, and what of it happens from outside."""

    def __init__(self, oracle: Oracle, library: Path, words: Words, vehicle_id: int) -> None:
        self.words, self.vehicle_id = words, vehicle_id
        self.answers: list[tuple[bytes, Answer]] = []  # what it said since they were taken
        self._machine = Machine(library)
        self._oracle = oracle
        self._read_answer: Callable[[bytes], Answer] = answer_reader(words)
        self.start(0, 0.0, 0, 0.0)

    def start(self, number: int, now_s: float, clock_ms: int, drift: float) -> None:
        """Switch it on anew: its boot id comes from its count of starts alone; its clock begins at `clock_ms`."""
        told = self._machine.ask(b"B", self._oracle.key + struct.pack(">I", number))
        self.boot = int.from_bytes(told, "big")
        self._machine.ask(b"K", BEGIN.pack(self._oracle.key, self.vehicle_id, self.boot, 0))
        self.judged = Start(self.vehicle_id, self.boot, self.words, number)
        self.stores, self._began_s, self._clock_ms, self._rate = True, now_s, clock_ms, 1000.0 * (1.0 + drift)

    def ms(self, now_s: float) -> int:
        """Vehicle time, modulo 2^32."""
        return (self._clock_ms + math.floor((now_s - self._began_s) * self._rate)) % 2**32

    def fail_stores(self, fails: bool) -> None:
        """Let storing a counter fail from now on, or not."""
        self.stores = not fails
        self._machine.ask(b"F", bytes([fails]))

    def hears(self, data: bytes, radio: int, now_s: float, whole: bytes, marred: bool) -> None:
        """Let a radio hear bytes. `whole` is a frame in them that must be understood, `marred`: although not alone."""
        reply = self._machine.ask(b"X", struct.pack(">BI", radio, self.ms(now_s)) + data)
        heard = Heard(now_s, radio, data, self.stores, whole.strip(b"\0"), marred)
        self._oracle.heard(self.judged, heard, self._parts(reply))

    def identity(self, now_s: float) -> bytes:
        """Return the frame in which it says who it is."""
        return self._machine.ask(b"I", struct.pack(">BIB", 0, self.ms(now_s), 0))

    def take_answers(self) -> list[tuple[bytes, Answer]]:
        """Return the answer frames since the last time, with what they say."""
        answers, self.answers = self.answers, []
        return answers

    def _parts(self, reply: bytes) -> list[Did | Answer]:
        """Take apart what the program did: obeyed (`Did`), answered (`Answer`); what it dropped is left out."""
        out: list[Did | Answer] = []
        at = 0
        while at < len(reply):
            kind, at = reply[at : at + 1], at + 1
            if kind == b"O":
                counter, code, count = struct.unpack_from(">IBB", reply, at)
                out.append(Did(counter, self.words.commands[code][0], struct.unpack_from(f">{count}d", reply, at + 6)))
                at += 6 + 8 * count
            elif kind == b"S":
                out.append(Did(int.from_bytes(reply[at : at + 4], "big"), SAFES, ()))
                at += 4
            elif kind == b"A":
                (size,) = struct.unpack_from(">H", reply, at)
                frame = reply[at + 2 : at + 2 + size]
                answer = self._read_answer(frame)
                out.append(answer)
                self.answers.append((frame, answer))
                at += 2 + size
        return out
