"""What is weighed by: a role's values out of a recording, or from the vehicle at the bench, which is only listened to."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import serial

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from server.bridge.ports import explain, is_url_understood, open_port
from server.cli.shared import make_progress
from server.problems import Problem
from server.recording.records import Kind
from server.recording.session_file import SessionError, open_session
from server.telemetry.batch import Rows, joined
from server.telemetry.decoding import LiveDecoder, decode_recording
from server.timestamps import NS_PER_S


class HeardProblem(Problem):
    """What was heard does not hold what is weighed by; the text is one plain sentence."""


@dataclass(frozen=True)
class Heard:
    """Rows by packet, their dictionary, the vehicle's and the site's sheet (empty where none is kept), and the day."""

    rows: Mapping[str, Rows]
    dictionary: Dictionary
    vehicle: Mapping[str, object]
    site: Mapping[str, object]
    day: date

    def series(self, roles: Sequence[str]) -> tuple[Floats, Floats] | None:
        """Return times (n,) in s and values (n, roles) of roles as they came, in order; None where one was never heard.

        Those of other packets than the first role's are brought to its times by straight lines.
        """
        told = [self._one(role) for role in roles]
        known = [one for one in told if one is not None]
        if len(known) < len(roles):
            return None
        t = known[0][0]
        return t, np.column_stack([np.interp(t, *one) for one in known])

    def _one(self, role: str) -> tuple[Floats, Floats] | None:
        channel = self.dictionary.roles.get(role)
        rows = self.rows.get(channel.packet) if channel is not None else None
        if channel is None or rows is None or not len(rows):
            return None
        values = rows.numbers(channel.name)
        good = np.isfinite(values)
        t, first = np.unique(rows.t[good], return_index=True)
        return (t, values[good][first]) if len(t) else None


def recorded(path: Path) -> Heard:
    """Return what a recording holds; raises SessionError, DictionaryError."""
    session = open_session(path)
    if session.header.dictionary is None:
        raise SessionError(f"{path.name} holds no dictionary.")
    dictionary = parse_dictionary(session.header.dictionary, "this dictionary")
    origin = session.header.origin_monotonic_ns
    chunks = [((one.mono_ns - origin) / NS_PER_S, one.payload) for one in session.records if one.kind == Kind.RECEIVED]
    day = datetime.fromtimestamp(session.utc_ns(origin) / NS_PER_S, UTC).date()
    return Heard(decode_recording(dictionary, chunks)[0].rows, dictionary, *session.header.sheets, day)


def listened(url: str, baud: int | None, dictionary_file: Path | None, seconds: float) -> Heard:
    """Return what a vehicle says in some seconds; nothing is sent. Raises HeardProblem."""
    dictionary = load_dictionary(dictionary_file)
    problem = is_url_understood(url)
    if problem:
        raise HeardProblem(problem)
    try:
        port = open_port(url, baud or dictionary.modem_baud)
    except (OSError, ValueError) as error:
        raise HeardProblem(explain(url, error).sentence) from error
    decoder, parts, progress = LiveDecoder(dictionary), [], make_progress()
    with closing(port):
        begun = time.monotonic()
        try:
            while (now := time.monotonic() - begun) < seconds:
                data = port.read(1) + port.read(port.in_waiting)
                if data:
                    parts.append(decoder.decode(data, now).rows)
                progress(f"listening, {seconds - now:.0f} s to go")
        except serial.SerialException as error:
            raise HeardProblem(explain(url, error).sentence) from error
    names = dict.fromkeys(name for part in parts for name in part)
    rows = {name: joined([part[name] for part in parts if name in part]) for name in names}
    return Heard(rows, dictionary, {}, {}, datetime.now(UTC).date())
