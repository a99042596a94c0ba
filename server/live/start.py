"""From what was asked for to a live station: key, recording, counters and port joined. For page and terminal alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from pathlib import Path

from protocol.dictionary import Dictionary
from server.design.sheet_files import Sheets
from server.live.listeners import NOBODY, Listeners
from server.live.station import Station
from server.pad.plan import PadPlan
from server.recording.clock import SystemClock
from server.recording.recorder import Recorder
from server.recording.recorder_state import RecorderState
from server.recording.resume import resume_or_start
from server.recording.segment import session_name
from server.recording.session_header import Software, make_header
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key


@dataclass(frozen=True)
class Live:
    """What a live station needs to know."""

    dictionary: Dictionary
    sheets: Sheets
    url: str
    baud: int
    mode: str  # "live" or "demo"
    source: str
    pad_sheet: PadPlan | None = None
    _: KW_ONLY  # by place, a word added before another would change what that one switches on
    allow_unbound: bool = False  # routine commands to a vehicle whose commands are bound to nothing
    ignites_t: float | None = None  # of a demonstration: when its motor is lit, timeline seconds
    rate: float = 1.0  # how fast a demonstration's time runs
    two_person: bool = False  # a hazardous command is confirmed by another person than the one who armed it


@dataclass(frozen=True)
class Places:
    """Folders: of the recordings, of the command key with its counter, and of the counter's second copy."""

    sessions: Path
    keys: Path
    copies: Path


def make_station(
    live: Live,
    places: Places,
    software: Software,
    hide: Callable[[str], None] = lambda secret: None,
    listeners: Listeners = NOBODY,
) -> Station:
    """Return a station that has not been started; `hide` is told every secret, for whoever writes a log.

    `software` is noted in the session. Raises KeyProblem or RecorderFailed, each with one sentence.
    """
    clock = SystemClock()
    key = load_or_make_key(places.keys, places.copies)
    hide(key.hex())
    header = make_header(
        clock,
        software=software,
        dictionary=live.dictionary.text,
        dictionary_hash=f"{live.dictionary.hash32:08x}",
        vehicle=live.sheets.vehicle,
        site=live.sheets.site,
        source=live.source,
    )

    def make_recorder(on_state: Callable[[RecorderState], None]) -> Recorder:
        if live.mode == "demo":  # another demonstration is another vehicle: never a continuation
            name = session_name(clock.wall_ns(), live.dictionary.vehicle)
            return Recorder(places.sessions, name, header, clock=clock, on_state=on_state)
        return resume_or_start(places.sessions, live.dictionary.vehicle, header, clock=clock, on_state=on_state)

    return Station(
        dictionary=live.dictionary,
        key=key,
        counters=CounterStore(places.keys, key, places.copies),
        url=live.url,
        baud=live.baud,
        clock=clock,
        make_recorder=make_recorder,
        mode=live.mode,
        two_person=live.two_person,
        allow_unbound=live.allow_unbound,
        listeners=listeners,
    )
