"""The vehicle's half of the wire as the twin uses it: the ground's own code, or compiled firmware in its place."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from protocol.dictionary import Dictionary
from protocol.vehicle import Order, Rejected, Repeat


class VehicleWire(Protocol):
    """One start of a vehicle, as `protocol.vehicle.VehicleLink` describes it."""

    @property
    def boot_id(self) -> int:
        """Identifier of this start."""

    @property
    def last_counter(self) -> int:
        """The last command counter taken."""

    @property
    def frames_good(self) -> int:
        """Uplink frames accepted."""

    @property
    def frames_bad(self) -> int:
        """Uplink frames dropped or refused."""

    def frame(self, packet: str, vehicle_ms: int, values: Mapping[str, object]) -> bytes:
        """Return the frame of one packet at a time in ms since the start; raises ValueRefused."""

    def identity_frame(self, vehicle_ms: int) -> bytes:
        """Return the frame that says who is speaking (wire version 2), signed for that time."""

    def receive(self, data: bytes, vehicle_ms: int = 0) -> list[Order | Repeat | Rejected]:
        """Take uplink bytes as they come; return what each completed frame means, in order."""

    def answer(self, order: Order, stage: str, reason: str, vehicle_ms: int) -> bytes:
        """Return the answer frame for an order, remembered so that a repeat gets the same answer."""


MakeWire = Callable[[Dictionary, bytes, int], VehicleWire]  # of dictionary, key and boot id
