"""`blockhouse trial`: one bench trial from the terminal, on a station of its own that records like any other.

Two acts of the person at the terminal: the word `arm`, and then, not too soon and not too late, the number of cycles.
Where the plan needs ground-test mode and the vehicle is not in it, two acts for that come first: `ground test`, then
`enter`. Exit code 0: all runs passed. 3: something failed. 1: it could not run, or was stopped by a person.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import signal
import sys
import threading
from collections.abc import Coroutine, Iterator
from pathlib import Path
from typing import Any, TextIO

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from server.bridge.ports import is_url_understood
from server.cli.shared import ALLOW_UNBOUND
from server.design.sheet_files import load_sheets
from server.json_text import finite
from server.live.start import Live, Places, make_station
from server.live.station import Station
from server.live.trial_desk import TrialDesk
from server.problems import Problem
from server.settings import copies_folder, default_folders
from server.telemetry.conditions import check_conditions
from server.trials.plan import TrialPlan, check_cycles, load_plan, sample_plans
from server.trials.result import TrialResult, result_text
from server.trials.state import OUTCOMES
from server.uplink.two_acts import CONFIRM_EARLIEST_S
from server.version import software

OPERATOR = "terminal"
HEARD_WITHIN_S = 10.0
LISTEN_S = 2.5  # so that loss and tilt are measured before they are asked for
ALIVE_EVERY_S = 1.0
VERIFIED_WITHIN_S = 10.0
GROUND_TEST = "ground_test"
PASSED, COULD_NOT_RUN, FAILED = 0, 1, 3


class TrialProblem(Problem):
    """The trial cannot run; the text is one plain sentence."""


def add_trial(parser: argparse.ArgumentParser) -> None:
    """Fill in `trial`."""
    parser.description = f"Plans that come along: {', '.join(sample_plans())}."
    parser.add_argument("plan", metavar="PLAN", help="a plan file (TOML), or the name of a plan that comes along")
    parser.add_argument("--port", required=True, metavar="URL", help="device, socket://host:port or rfc2217://host:port")
    parser.add_argument("--cycles", type=int, metavar="N", help="how often (default: the plan's)")
    parser.add_argument("--baud", type=int, metavar="N", help="speed of the port (default: the dictionary's)")
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="vehicle and site sheet")
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the recordings")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key and its counter")
    parser.add_argument("--json", action="store_true", help="print the result as JSON; all else goes to stderr")
    parser.add_argument(
        "--acts-from-stdin", action="store_true", help="read the acts, one a line, although stdin is no terminal"
    )
    parser.add_argument("--allow-unbound", action="store_true", help=ALLOW_UNBOUND)
    parser.set_defaults(run=run_trial)


def run_trial(options: argparse.Namespace) -> int:
    """Run the trial; return the exit code. Raises what the station and the plan raise, each with one sentence."""
    dictionary = load_dictionary(options.dictionary)
    plan = load_plan(options.plan, dictionary)
    cycles = plan.cycles if options.cycles is None else options.cycles
    check_cycles(plan, cycles)
    problem = is_url_understood(options.port)
    if problem:
        raise TrialProblem(problem)
    if not sys.stdin.isatty() and not options.acts_from_stdin:
        raise TrialProblem("A trial needs a person at a terminal; to read the acts from elsewhere, say --acts-from-stdin.")

    async def run() -> int:
        return await _Terminal(options, dictionary, plan, cycles).run()

    return asyncio.run(run())


class Lines:
    """Lines of a text stream, read by a thread that does not keep the program alive; None at the end."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._lines: asyncio.Queue[str | None] = asyncio.Queue()
        self._loop = asyncio.get_running_loop()
        self._asked = threading.Semaphore(0)
        threading.Thread(target=self._read, name="stdin", daemon=True).start()

    async def next(self) -> str | None:
        """Wait for one line; it is read only now, and on a terminal what was typed before does not count."""
        if self._stream.isatty():
            with contextlib.suppress(ImportError, OSError):
                import termios  # absent on Windows

                termios.tcflush(self._stream, termios.TCIFLUSH)
        self._asked.release()
        return await self._lines.get()

    def _read(self) -> None:
        while self._asked.acquire():
            line = self._stream.readline()
            with contextlib.suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._lines.put_nowait, line.strip() if line else None)
            if not line:
                return


class _Terminal:
    """One trial at a terminal."""

    def __init__(self, options: argparse.Namespace, dictionary: Dictionary, plan: TrialPlan, cycles: int) -> None:
        self._options, self._dictionary, self._plan, self._cycles = options, dictionary, plan, cycles
        self._out = sys.stderr if options.json else sys.stdout
        self._stopped = asyncio.Event()
        self._lines = Lines(sys.stdin)

    async def run(self) -> int:
        """Make the station, run the trial, close the session; return the exit code."""
        station = _make_station(self._options, self._dictionary)
        path = None
        try:
            with _signals(self._stopped):
                await station.start()
                result = await self._with_operator(station)
        finally:
            path = await station.stop()
            if sys.exc_info()[0] is not None:
                self._say(str(path))
        if self._options.json:
            print(json.dumps(finite({**result, "session": str(path)}), indent=2, allow_nan=False))
        else:
            self._say(f"\n{result_text(result)}\n\n{path}")
        if result["outcome"] == "stopped":
            return COULD_NOT_RUN
        return PASSED if result["outcome"] == "passed" and result["safe"] else FAILED

    async def _with_operator(self, station: Station) -> TrialResult:
        """Hold command authority for as long as this program is there; losing it disarms."""
        station.sign_in(OPERATOR)

        async def alive() -> None:
            while True:
                station.authority.alive(OPERATOR, station.now_s())
                await asyncio.sleep(ALIVE_EVERY_S)

        beating = asyncio.create_task(alive())
        try:
            return await self._trial(station)
        finally:
            beating.cancel()

    async def _trial(self, station: Station) -> TrialResult:
        await self._hear(station)
        for text in self._plan.cautions():
            self._say(f"CAUTION: {text}")
        self._say(f"{self._plan.title}: {self._cycles} cycles, {len(self._plan.sends(self._cycles))} commands")
        for text in self._plan.lines():
            self._say(f"    {text}")
        if self._plan.hazard() != "routine":
            await self._enter_ground_test(station)
        desk = TrialDesk(station, {self._plan.name: self._plan})
        await self._act("Type 'arm' to arm the plan:", "arm")
        if self._plan.hazard() != "routine":
            await station.trips.known()
        armed = desk.arm(OPERATOR, self._plan.name, self._cycles)
        if not armed.ok:
            raise TrialProblem(_sentence(armed.sentence))
        await asyncio.sleep(CONFIRM_EARLIEST_S + 0.05)
        try:
            await self._act(f"{armed.sentence}: type the number of cycles, {self._cycles}:", str(self._cycles))
        except TrialProblem:
            desk.cancel(OPERATOR)
            raise
        begun = desk.confirm(OPERATOR, str(armed.id))
        if not begun.ok:
            raise TrialProblem(_sentence(begun.sentence))
        return await self._watch(station, desk)

    async def _watch(self, station: Station, desk: TrialDesk) -> TrialResult:
        """Say how it goes until it is over; Ctrl-C stops it and makes safe."""
        finished = asyncio.create_task(desk.finished())
        said, stopping = "", False
        while not finished.done():
            await asyncio.wait([finished], timeout=0.1)
            if self._stopped.is_set() and not stopping:
                stopping = True
                self._say("stopping, making safe: wait")
                desk.stop(OPERATOR)
            now = desk.progress
            text = f"run {now['run']} of {now['runs']} {now['variant']}, {now['passed']} passed" if now else said
            if now and now["run"] and text != said:
                said = text
                self._say(text)
        result = await finished
        assert result is not None, "a trial was begun"
        return result

    # ------------------------------------------------------------ before the first command

    async def _hear(self, station: Station) -> None:
        """Wait for the vehicle, then long enough that loss and tilt are measured."""
        self._say(f"listening on {self._options.port}")
        until_s = station.now_s() + HEARD_WITHIN_S
        while not (station.watch.up and station.link.boot_id is not None):
            if station.now_s() > until_s:
                raise TrialProblem(f"No vehicle is heard: {station.watch.now.sentence}.")
            await self._pause(0.05)
        await self._pause(LISTEN_S)

    async def _enter_ground_test(self, station: Station) -> None:
        """Where the vehicle does not say ground test, put it there: by two acts of its own."""
        condition = self._dictionary.interlocks.get(GROUND_TEST)
        command = self._dictionary.commands.get(GROUND_TEST)
        if condition is None or check_conditions(self._dictionary, [condition], {}, station, station.now_s())[0].met:
            return
        if command is None:
            raise TrialProblem("The vehicle is not in ground-test mode, and the dictionary has no command for it.")
        self._say(f"The vehicle is not in ground-test mode. {command.does} CAUTION: {command.caution or ''}")
        await self._act("Type 'ground test' to arm that command:", "ground test")
        request = {"command": GROUND_TEST, "args": {"on": 1}}
        await station.trips.known()
        armed = station.act(OPERATOR, "arm", request)
        if not armed.ok:
            raise TrialProblem(_sentence(armed.sentence))
        await asyncio.sleep(CONFIRM_EARLIEST_S + 0.05)
        await self._act(f"{armed.sentence}: type 'enter':", "enter")
        sent = station.act(OPERATOR, "confirm", {**request, "id": armed.id})
        if not sent.ok:
            raise TrialProblem(_sentence(sent.sentence))
        await self._verified(station, str(armed.id))
        self._say("The vehicle is in ground-test mode; it stays there after the trial.")

    async def _verified(self, station: Station, id: str) -> None:
        until_s = station.now_s() + VERIFIED_WITHIN_S
        while (view := station.command(id)) is None or view.state != "verified":
            if view is None or view.state in OUTCOMES or station.now_s() > until_s:
                raise TrialProblem(_sentence(f"{view.title}: {view.state_text}" if view else "the command is gone"))
            await self._pause(0.05)

    # ------------------------------------------------------------ the person

    async def _act(self, prompt: str, wanted: str) -> None:
        """Wait for one act, which must be just the wanted word; raises TrialProblem for anything else."""
        self._say(prompt)
        line = await self._unless_stopped(self._lines.next())
        if line is None:
            raise TrialProblem(f"The act '{wanted}' did not come: nothing was started.")
        if line != wanted:
            raise TrialProblem(f"'{line[:40]}' is not '{wanted}': nothing was started.")

    async def _pause(self, seconds: float) -> None:
        await self._unless_stopped(asyncio.sleep(seconds))

    async def _unless_stopped(self, what: Coroutine[Any, Any, Any]) -> Any:
        """Wait for something, but not past Ctrl-C; raises TrialProblem then."""
        task, stop = asyncio.ensure_future(what), asyncio.ensure_future(self._stopped.wait())
        await asyncio.wait([task, stop], return_when=asyncio.FIRST_COMPLETED)
        stop.cancel()
        if task.done():
            return task.result()
        task.cancel()
        raise TrialProblem("Stopped at the terminal before anything was started.")

    def _say(self, text: str) -> None:
        print(text, file=self._out, flush=True)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


@contextlib.contextmanager
def _signals(stopped: asyncio.Event) -> Iterator[None]:
    """End in order on the first signal; further ones change nothing."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])):
        try:
            loop.add_signal_handler(number, stopped.set)
        except (NotImplementedError, RuntimeError):
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(stopped.set))
    yield


def _make_station(options: argparse.Namespace, dictionary: Dictionary) -> Station:
    sessions, keys = default_folders()
    sheets, baud = load_sheets(options.sheet, False), options.baud or dictionary.modem_baud
    live = Live(
        dictionary, sheets, options.port, baud, mode="live", source=options.port, allow_unbound=options.allow_unbound
    )
    places = Places(options.sessions or sessions, options.keys or keys, copies_folder())
    return make_station(live, places, software())
