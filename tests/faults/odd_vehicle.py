"""The simulated vehicle with a board of its own kind: `python -m tests.faults.odd_vehicle --keys DIR [--radios N] ...`.

With `--encoder` the wire's half is the compiled library, else the ground's own code. With `--radios 2` two receivers of one
computer hear every uplink byte; with `--store-fails` no counter can be stored.
"""

from __future__ import annotations

import argparse
import signal
import threading
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.vehicle import CommandMemory, Order, Rejected, Repeat, VehicleLink
from server.demo import TwinOptions, make_twin
from server.firmware.process_link import ProcessLink, ProcessMemory, Program
from server.twin.listener import TwinListener
from server.twin.wire import VehicleWire

NEVER_S = 1e6


class Radios:
    """Several radios of one computer: what the first transmits is what the ground receives, all of them hear."""

    def __init__(self, radios: list[VehicleWire]) -> None:
        self._radios = radios

    @property
    def boot_id(self) -> int:
        return self._radios[0].boot_id

    @property
    def last_counter(self) -> int:
        return self._radios[0].last_counter

    @property
    def frames_good(self) -> int:
        return self._radios[0].frames_good

    @property
    def frames_bad(self) -> int:
        return self._radios[0].frames_bad

    def frame(self, packet: str, vehicle_ms: int, values: Mapping[str, object]) -> bytes:
        return self._radios[0].frame(packet, vehicle_ms, values)

    def identity_frame(self, vehicle_ms: int) -> bytes:
        return self._radios[0].identity_frame(vehicle_ms)

    def receive(self, data: bytes, vehicle_ms: int = 0) -> list[Order | Repeat | Rejected]:
        return [heard for radio in self._radios for heard in radio.receive(data, vehicle_ms)]

    def answer(self, order: Order, stage: str, reason: str, vehicle_ms: int) -> bytes:
        return self._radios[0].answer(order, stage, reason, vehicle_ms)


def main() -> None:
    """Fly until a signal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keys", type=Path, required=True)
    parser.add_argument("--encoder", type=Path)
    parser.add_argument("--radios", type=int, default=1)
    parser.add_argument("--store-fails", action="store_true")
    options = parser.parse_args()
    with ExitStack() as ending:
        program = ending.enter_context(Program(options.encoder)) if options.encoder else None

        def make_wire(dictionary: Dictionary, key: bytes, boot_id: int) -> VehicleWire:
            radios: list[VehicleWire]
            if program is None:
                store = (lambda counter: False) if options.store_fails else None
                own = CommandMemory(dictionary, key, boot_id, store=store)
                radios = [VehicleLink(dictionary, key, boot_id, own) for _ in range(options.radios)]
            else:
                memory = ProcessMemory(program, dictionary, key, boot_id)
                memory.fail_stores(options.store_fails)
                radios = [ProcessLink(program, dictionary, key, boot_id, memory) for _ in range(options.radios)]
            return Radios(radios)

        flight = TwinOptions("calm", 1, 1.0, NEVER_S)
        listener = TwinListener(make_twin(load_dictionary(), options.keys, flight, make_wire), "socket://127.0.0.1:0")
        ending.callback(listener.stop)
        listener.start()
        print(f"Simulated vehicle on {listener.url}", flush=True)
        over = threading.Event()
        signal.signal(signal.SIGTERM, lambda *_: over.set())
        while not over.wait(0.1) and listener.failure is None:
            pass
        if listener.failure is not None:
            raise listener.failure


if __name__ == "__main__":
    main()
