"""The simulated vehicle behind a real socket or pseudo-terminal: for `blockhouse demo` and `blockhouse twin`."""

from __future__ import annotations

import json
import logging
import random
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from protocol.bound import VALID_AT_MOST_MS, make_boot_id
from protocol.dictionary import Dictionary
from protocol.vehicle import CommandMemory, VehicleLink
from server.firmware.process_link import ProcessLink, Program
from server.problems import Problem, reason
from server.settings import copies_folder
from server.twin.hop import HopVehicle
from server.twin.listener import TwinListener
from server.twin.onboard import OnboardRecorder
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from server.twin.wire import MakeWire
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key

_log = logging.getLogger("blockhouse")
AFTER_LANDING_S = 8.0  # vehicle seconds: the station sees the landing a few seconds after it


class TwinStopped(Problem):
    """The simulated vehicle's thread has ended by an exception; the text is one plain sentence."""


def _look(listener: TwinListener) -> None:
    """Raise TwinStopped when the vehicle flies no more, so that its program does not go on without it."""
    failure = listener.failure
    if failure is not None:
        why = str(failure) if isinstance(failure, Problem) else reason(failure)
        raise TwinStopped(f"The simulated vehicle has stopped: {why.rstrip('.')}.") from failure


@dataclass(frozen=True)
class TwinOptions:
    """Which flight, and how fast."""

    scenario: str
    seed: int
    rate: float
    ignite_after_s: float
    encoder: Path | None = None  # a compiled program that encodes and hears in place of this program's own code
    onboard_log: Path | None = None  # where the vehicle's own log is written when it ends


@contextmanager
def flying_twin(dictionary: Dictionary, keys: Path, options: TwinOptions) -> Iterator[Twin | HopVehicle]:
    """Give a twin; with an encoder its program runs as long. Raises EncoderProblem.

    A dictionary with a framing of its own gives the small sample vehicle.
    """
    if dictionary.framing is not None:
        yield HopVehicle(dictionary, options.ignite_after_s)
        return
    if options.encoder is None:
        yield make_twin(dictionary, keys, options)
        return
    with Program(options.encoder) as program:
        yield make_twin(dictionary, keys, options, partial(ProcessLink, program))


def make_twin(
    dictionary: Dictionary,
    keys: Path,
    options: TwinOptions,
    make_link: MakeWire | None = None,
) -> Twin:
    """Return a twin that shares the station's command key. Its boot id is new at every start, as a vehicle's must be.

    `make_link` is the wire in Python where it is not given.
    """
    key = load_or_make_key(keys, copies_folder())
    starts = CounterStore(keys / "twin-boot", key)
    starts.make_folder()
    twin = Twin(
        scenario=load_scenario(options.scenario),
        seed=options.seed,
        dictionary=dictionary,
        key=key,
        boot_id=make_boot_id(key, starts.take(), b"") if dictionary.is_bound else starts.take() % 0x10000,
        ignite_after_s=options.ignite_after_s,
        make_link=make_link or partial(_wire_in_python, options.rate),
    )
    if options.onboard_log is not None:
        # A card's clock is not the computer's: it starts anywhere and runs a few millionths fast or slow.
        clock = random.Random(f"{options.seed} card")
        twin.recorder = OnboardRecorder(twin.vehicle, options.seed, clock.uniform(-300.0, 300.0), clock.gauss(0.0, 4e-5))
    return twin


def _wire_in_python(rate: float, dictionary: Dictionary, key: bytes, boot_id: int) -> VehicleLink:
    """Return the vehicle's half of the wire. One that flies so many times faster gives commands as long by our clock."""
    late_ms = round(VALID_AT_MOST_MS * max(0.0, rate - 1.0))
    return VehicleLink(dictionary, key, boot_id, CommandMemory(dictionary, key, boot_id, late_ms=late_ms))


def write_onboard_log(twin: Twin, path: Path) -> None:
    """Write what the vehicle logged on board. Raises OSError."""
    assert twin.recorder is not None
    path.write_text(twin.recorder.text(), "utf-8")


class Demo:
    """A twin listening on a free local port until stopped."""

    def __init__(self, dictionary: Dictionary, keys: Path, options: TwinOptions) -> None:
        self._options = options
        self._flying = ExitStack()
        self.twin = self._flying.enter_context(flying_twin(dictionary, keys, options))
        self._listener = TwinListener(self.twin, "socket://127.0.0.1:0", rate=options.rate)
        self._landed_at: float | None = None
        self._told = False

    @property
    def url(self) -> str:
        """Where the station reaches it."""
        return self._listener.url

    def start(self) -> None:
        """Begin to fly. Raises OSError when the log's place cannot be written."""
        if self._options.onboard_log is not None:
            self._options.onboard_log.write_text("", "utf-8")  # noticed now, not after the flight
        self._listener.start()

    def stop(self) -> None:
        """End, and write the vehicle's own log if it was asked for. Raises OSError."""
        self._listener.stop()
        self._flying.close()
        if self._options.onboard_log is not None:
            assert isinstance(self.twin, Twin), "the hop vehicle has no card to log on"
            write_onboard_log(self.twin, self._options.onboard_log)

    def look(self) -> None:
        """Raise TwinStopped when it flies no more."""
        _look(self._listener)

    def stopped(self) -> bool:
        """Tell whether it has stopped by a failure of its own."""
        failure = self._listener.failure
        if failure is not None and not self._told:
            self._told = True
            # Not as an error: the terminal, which shows those, gets one sentence at the end.
            _log.info("the simulated vehicle has stopped", exc_info=failure)
        return failure is not None

    def over(self) -> bool:
        """Tell whether the flight has ended long enough ago for the station to have seen it."""
        if not self.twin.landed:
            return False
        if self._landed_at is None:
            self._landed_at = time.monotonic()
        return time.monotonic() - self._landed_at > max(AFTER_LANDING_S / self._options.rate, 1.0)


def run_twin(
    dictionary: Dictionary,
    keys: Path,
    listen: str,
    link: Path | None,
    truth: Path | None,
    quit_when: str | None,
    options: TwinOptions,
    say: Callable[[str], None],
) -> int:
    """Run only the vehicle until a signal, or until it has landed.

    Raises TwinStopped when it stops by itself, and OSError when the truth cannot be written.
    """
    if truth is not None:
        truth.write_text("", "utf-8")  # a place that cannot be written is noticed now, not after the flight
    with flying_twin(dictionary, keys, options) as twin:
        _listen(twin, listen, link, truth, quit_when, options, say)
    return 0


def _listen(
    twin: Twin | HopVehicle,
    listen: str,
    link: Path | None,
    truth: Path | None,
    quit_when: str | None,
    options: TwinOptions,
    say: Callable[[str], None],
) -> None:
    listener = TwinListener(twin, listen, rate=options.rate, link=link)
    listener.start()
    say(f"Simulated vehicle on {listener.url}")
    written = False
    stopping = threading.Event()
    for number in (signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])):
        signal.signal(number, lambda *_: stopping.set())
    try:
        while not stopping.wait(0.05):
            _look(listener)
            if twin.landed and not written:
                written = True
                if truth is not None:
                    truth.write_text(json.dumps(twin.truth(), indent=2), "utf-8")
                say("landed")
                if quit_when == "landed":
                    stopping.wait(max(AFTER_LANDING_S / options.rate, 1.0))
                    break
    finally:
        listener.stop()
