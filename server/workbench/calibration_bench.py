"""A calibration at the bench: listens to the vehicle through its dictionary and says what to do until all is there.

Sends nothing. No I/O here but through `port`, whose `read()` returns what has arrived after a short wait at most.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from protocol.dictionary import Dictionary
from server.calibrating.guide import Options, Standing, calibrated, groups_of, standing
from server.calibrating.signals import Collector, channels_of, require
from server.flight.calibration.estimate import Calibration
from server.telemetry.decoding import LiveDecoder

LOOK_EVERY_S = 0.4
SERIAL_ROLE = "unit.serial"


class Reader(Protocol):
    """What is read from."""

    def read(self) -> bytes:
        """Return what has arrived."""
        ...


@dataclass
class CalibrationBench:
    """One calibration; `now` is a clock in seconds, `show` is told each time what is to be done has changed."""

    port: Reader
    dictionary: Dictionary
    options: Options
    now: Callable[[], float]
    show: Callable[[Standing], None]

    def __post_init__(self) -> None:
        self.collector = collector_of(self.dictionary, self.options)

    @property
    def serial(self) -> str:
        """The serial the vehicle tells, "" while it tells none."""
        return self.collector.told.get(SERIAL_ROLE, "")

    def run(self) -> Calibration:
        """Listen until all is there. Raises UncalibratedFault; an interrupt ends a wait for noise with what there is."""
        decoder, looked = LiveDecoder(self.dictionary), self.now()
        try:
            while True:
                now_s = self.now()
                self.collector.take(decoder.decode(self.port.read(), now_s).rows)
                if now_s - looked >= LOOK_EVERY_S:
                    looked = now_s
                    here = standing(self.options, self.collector.signals())
                    self.show(here)
                    if here.ready:
                        break
        except KeyboardInterrupt:
            if self.options.what != "allan":
                raise
        return calibrated(self.options, self.collector.signals())


def collector_of(dictionary: Dictionary, options: Options) -> Collector:
    """Return a collector of what a calibration needs; raises UncalibratedFault when the dictionary has it not."""
    needs, likes = groups_of(options)
    require(dictionary, needs)
    serial = dictionary.roles.get(SERIAL_ROLE)
    return Collector(channels_of(dictionary, (*needs, *likes)), {} if serial is None else {SERIAL_ROLE: serial})
