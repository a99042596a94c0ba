"""A station that is driven as the page drives it, vehicles of its own or of compiled C, and the radio path between them."""

from __future__ import annotations

import atexit
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from pathlib import Path
from urllib.parse import urlsplit

from protocol.bound import BoundFrame, SafeAllFrame, build_bound_frame, open_bound_frame
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from server.firmware.generator import write_firmware
from server.uplink.key_file import load_or_make_key
from tests.browser.station import Process, eventually
from tests.faults.pad import Operator, Watcher
from tests.faults.radio_path import RadioPath
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.build import C99, LIBRARY, compiled, program

WITHIN_S = 60.0  # processes start slowly on a busy machine
NEVER_S = "1e6"
BETWEEN_ACTS_S = 0.5
OTHER_ID = SANDPIPER.uplink.vehicle_id + 1


def swapped_text() -> str:
    """Return the Sandpiper's dictionary with the codes of two commands exchanged: safe a channel, and fire it."""
    text = SANDPIPER.text
    codes = [f"code = 0x{SANDPIPER.commands[name].code:02X}\n" for name in ("channel_safe", "channel_fire")]
    heads = ["[command.channel_safe]\n", "[command.channel_fire]\n"]
    for head, code, other in zip(heads, codes, reversed(codes), strict=True):
        assert head + code in text
        text = text.replace(head + code, head + other)
    return text


@cache
def encoder_of(text: str) -> Path:
    """Return the compiled library of a dictionary, as a program for `--encoder`."""
    if text == SANDPIPER.text:
        return program("sandpiper")
    folder = Path(tempfile.mkdtemp(prefix="encoder-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    write_firmware(parse_dictionary(text, "odd.toml"), folder)
    return compiled([*C99, "-O2"], folder, [*LIBRARY, "host/bh_host.c"], "host.program", ["-lm"])


class Field:
    """Nothing runs at first; `fly...` puts a vehicle on the air under a number, `watch` starts the station."""

    def __init__(self, folder: Path) -> None:
        self.ending = ExitStack()
        self.folder, self.home = folder, folder / "home"
        self.keys = self.home / "keys"
        self.keys.mkdir(parents=True)
        self.key = load_or_make_key(self.keys, self.home / "counters")
        self.dictionary = load_dictionary()
        self.path = RadioPath(folder / "radio")
        self.ending.callback(self.path.close)
        self._flying: dict[int, ExitStack] = {}
        self._counter = 0  # of what is signed here

    # ------------------------------------------------------------ vehicles

    def fly_twin(self, half: str, number: int = 0, text: str | None = None) -> None:
        """Switch a simulated vehicle on whose half of the wire is "python" or "compiled", by a dictionary of its own."""
        more = ["--keys", str(self.keys), "--ignite-after", NEVER_S]
        if text is not None:
            file = self.folder / "vehicle.toml"
            file.write_text(text, "utf-8")
            more += ["--dictionary", str(file)]
        if half == "compiled":
            more += ["--encoder", str(encoder_of(text or self.dictionary.text))]
        twin = Process(self.home, "twin", "--listen", "socket://127.0.0.1:0", *more)
        self._on_air(number, twin)

    def fly_odd(self, half: str, *more: str, number: int = 0) -> None:
        """Switch a simulated vehicle on with a board of its own kind (`odd_vehicle`)."""
        encoder = ("--encoder", str(encoder_of(self.dictionary.text))) if half == "compiled" else ()
        arguments = ("--keys", str(self.keys), *encoder, *more)
        self._on_air(number, Process(self.home, *arguments, module="tests.faults.odd_vehicle"))

    def fly_c(self, starts: Path, number: int = 0, vehicle_id: int | None = None) -> None:
        """Switch the compiled example on, all of it C: its count of starts is kept in that file."""
        words = [str(program("sandpiper", "example")), str(self.keys / "command.key"), str(starts)]
        words += [] if vehicle_id is None else [str(vehicle_id)]
        ours, theirs = socket.socketpair()
        process = subprocess.Popen(words, stdin=theirs, stdout=theirs)
        theirs.close()
        on = self._flying[number] = ExitStack()
        on.callback(ours.close)
        on.callback(process.wait)
        on.callback(process.kill)
        self.path.join(number, ours.fileno())
        on.callback(self.path.leave, number)

    def _on_air(self, number: int, vehicle: Process) -> None:
        on = self._flying[number] = ExitStack()
        on.callback(vehicle.stop)
        place = urlsplit(vehicle.line(r"Simulated vehicle on (\S+)", WITHIN_S)[1])
        link = socket.create_connection((place.hostname, place.port))
        on.callback(link.close)
        self.path.join(number, link.fileno())
        on.callback(self.path.leave, number)

    def switch_off(self, number: int = 0) -> None:
        """Take the power away."""
        self._flying.pop(number).close()

    # ------------------------------------------------------------ the station

    def watch(self, *more: str) -> None:
        """Start the station, sign an operator in, and look on; the path is no longer mute unless it was told to be."""
        arguments = ["live", "--port", str(self.folder / "radio"), "--no-browser", "--http-port", "0", *more]
        station = self.station = Process(self.home, *arguments)
        self.ending.callback(station.stop)
        address, token = station.line(r"(http://127\.0\.0\.1:\d+/)#operator=(\S+)", WITHIN_S).groups()
        station.line("^Link waiting|^Link up", WITHIN_S)
        self.address = address
        self.watcher = Watcher(address)
        self.ending.callback(self.watcher.close)
        self.ada = Operator(address, token)
        self.ending.callback(self.ada.close)
        self.ada.ask("take")

    def leave(self, kill: bool = False) -> None:
        """End the station as a person would, or by kill -9; `watch` starts another one."""
        if kill:
            self.station.process.kill()
            self.station.process.wait()
        else:
            self.station.stop()
        self.watcher.close()
        self.ada.close()

    def hear(self) -> None:
        """Let the downlink through and wait until a command could be addressed."""
        self.path.muted = False
        eventually(lambda: self.ask("ping")["ok"], WITHIN_S)

    def ask(self, command: str, **args: object) -> dict:
        """One act: a routine command. Whoever was silent for some seconds holds authority no longer, so take it first."""
        self.ada.ask("take")
        return self.ada.ask("send", command=command, args=args)

    def act(self, command: str, holds: bool = False, **args: object) -> str:
        """Two acts: ready, then confirmed; returns the id. With `holds` nothing goes up from the second act on."""
        self.ada.ask("take")
        replies: list[dict] = []

        def ready() -> bool:
            replies.append(self.ada.ask("arm", command=command, args=args))
            return replies[-1]["ok"]

        try:
            eventually(ready, WITHIN_S)
        except AssertionError:
            raise AssertionError(replies[-1]) from None
        time.sleep(BETWEEN_ACTS_S)
        if holds:
            self.path.held = []
        reply = self.ada.ask("confirm", id=replies[-1]["id"], command=command, args=args)
        assert reply["ok"], reply
        return replies[-1]["id"]

    def states(self, id: str) -> list[str]:
        """Return the states one command was shown in."""
        return [e["body"]["state"] for e in list(self.watcher.journal) if e["topic"] == "command" and e["key"] == id]

    def last(self, id: str) -> dict:
        """Return how one command was shown last."""
        return [e for e in list(self.watcher.journal) if e["topic"] == "command" and e["key"] == id][-1]["body"]

    def comes_to(self, id: str, *states: str) -> str:
        """Wait until a command is shown in one of these states; return its words."""
        try:
            eventually(lambda: self.states(id) and self.states(id)[-1] in states, WITHIN_S)
        except AssertionError:
            raise AssertionError(f"not {states}: {self.last(id)['state_text']}") from None
        return self.last(id)["state_text"]

    def done(self, command: str, **args: object) -> str:
        """Have a command of any hazard carried out and shown as proven; what only an answer can tell: as completed."""
        described = self.dictionary.commands[command]
        id = self.ask(command, **args)["id"] if described.hazard == "routine" else self.act(command, **args)
        return self.comes_to(id, "verified") if described.effects else self.comes_to(id, "completed")

    def safe_all(self) -> str:
        """Press Safe all and wait until telemetry shows it."""
        reply = self.ada.ask("safe_all")
        assert reply["ok"], reply
        return self.comes_to(reply["id"], "verified")

    def armed_in_ground_test(self, channel: int = 1) -> None:
        """Have the station arm a lateral channel, as for a ground test with an igniter simulator."""
        self.done("ground_test", on=1)
        self.done("board_release")
        self.done("channel_arm", channel=channel)

    def shown(self, packet: str, name: str) -> object:
        """Return the newest value of a channel on the page, None before one."""
        rows = self.watcher.rows.get(packet)
        names = [channel.name for channel in self.dictionary.packets[packet].channels]
        return rows[-1][2 + names.index(name)] if rows else None

    def events(self, words: str) -> int:
        """Return how many events of the vehicle with these words have come down, by whichever vehicle."""
        frames = [packet for packets in self.path.down.values() for packet in packets]
        apid = self.dictionary.packets["event"].apid
        return sum(int.from_bytes(p[:2], "big") & 0x7FF == apid and words.encode() in p for p in frames)

    # ------------------------------------------------------------ what is on the air

    def commands(self) -> list[BoundFrame | SafeAllFrame]:
        """Return what the station has sent to its own vehicle."""
        opened = [open_bound_frame(self.key, self.dictionary.uplink.vehicle_id, one) for one in list(self.path.up_frames)]
        assert not [one for one in opened if isinstance(one, str)], opened
        return opened

    def signed(self, command: str, number: int = 0, by: Dictionary | None = None, **args: object) -> bytes:
        """Return a command signed with the key for what a vehicle says it is now, by its own dictionary or another."""
        said = self.path.said[number]
        by = by or self.dictionary
        described = by.commands[command]
        self._counter = max(self._counter, said.last_counter) + 1
        numbers = said.vehicle_id, said.boot_id, by.hash32, self._counter, said.now_ms + 5000
        return build_bound_frame(self.key, *numbers, described.code, described.pack_args(args))

    def answers(self, number: int = 0) -> list[tuple[str, str]]:
        """Return stage and reason of every answer a vehicle has given, by the station's dictionary."""
        packet = self.dictionary.packets["answer"]
        names = [channel.name for channel in packet.channels]
        given = [p[10:] for p in list(self.path.down[number]) if int.from_bytes(p[:2], "big") & 0x7FF == packet.apid]
        rows = [dict(zip(names, packet.unpack(fields), strict=True)) for fields in given]
        return [tuple(str(packet.channel(name).text_of(row[name])) for name in ("stage", "reason")) for row in rows]


@contextmanager
def field() -> Iterator[Field]:
    """Give a field; whatever happens, everything it started has ended afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        made = Field(Path(folder))
        try:
            yield made
        finally:
            for number in list(made._flying):
                made.switch_off(number)
            made.ending.close()
