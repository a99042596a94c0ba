"""A recorded session, opened: its dictionary, everything the pipeline makes of it, and the shapes the page asks for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError
from protocol.rehearsal import REHEARSAL_NAME, STATES
from server.analysis.pipeline import Output, recorded_output
from server.design.pad_wind import PadWind, wind_at_lift_off
from server.design.sheet_numbers import sheet_numbers_of
from server.problems import Problem
from server.recording.segment import base_name
from server.recording.session_file import Session, SessionError, open_session
from server.telemetry.batch import Rows
from server.telemetry.columns import columns_payload
from server.telemetry.tables import TableSpec, table_specs

REHEARSING = STATES.index("rehearsing")


@dataclass(frozen=True)
class Review:
    """One opened recording. Everything in it is computed from the file alone."""

    session: Session
    dictionary: Dictionary
    output: Output

    @property
    def name(self) -> str:
        """The session's name on the shelf."""
        return base_name(self.session.path)

    @cached_property
    def specs(self) -> dict[str, TableSpec]:
        """The session's tables."""
        return table_specs(self.dictionary)

    def columns(self) -> bytes:
        """Return the binary columns of the whole session."""
        tables = []
        for name, spec in self.specs.items():
            rows = self.output.rows.get(name)
            texts = {column: rows.texts(column) for column in spec.texts} if rows is not None else {}
            tables.append((spec, 0, rows_matrix(spec, rows), texts))
        journal = [entry.as_dict(i) for i, entry in enumerate(self.output.entries)]
        return columns_payload(self.name, tables, journal)


class RehearsalNotAsked(Problem):
    """A rehearsal stands where a flight is wanted; the text is one plain sentence."""


def rehearsal_of(review: Review) -> str:
    """Return which rehearsal a recording is, "" for one of a vehicle.

    Its header says so where `blockhouse rehearse` wrote it; what a station heard says so by the packet `rehearsal`.
    """
    if review.session.header.rehearsal is not None:
        return review.session.header.rehearsal or "rehearsal"
    rows = review.output.rows.get(REHEARSAL_NAME)
    heard = rows is not None and bool(np.any(rows.columns["state"] == REHEARSING))
    return "heard on the bench" if heard else ""


def refuse_rehearsals(reviews: list[Review]) -> None:
    """Refuse what is no flight; raises RehearsalNotAsked."""
    for review in reviews:
        if rehearsal_of(review):
            raise RehearsalNotAsked(f"{review.name} is a rehearsal, not a flight; say --rehearsals to take it all the same.")


def final_figures(review: Review) -> dict[str, Mapping[str, object]]:
    """Return the last state of every figure judged of the session, by key."""
    last = {entry.key: entry.body for entry in review.output.entries if entry.topic == "figure"}
    return {key: body for key, body in last.items() if not body.get("withdrawn")}


def measured_wind(review: Review) -> PadWind | None:
    """Return the wind measured at the pad as it stood at the session's lift-off, or at its end without one."""
    return wind_at_lift_off((entry.topic, entry.key, entry.body) for entry in review.output.entries)


def rows_matrix(spec: TableSpec, rows: Rows | None) -> np.ndarray:
    """Return rows as a matrix of shape (n, 2 + numeric columns), t and rx first."""
    if rows is None:
        return np.zeros((0, 2 + len(spec.numeric)))
    return np.column_stack([rows.t, rows.rx_s, *[rows.columns[name] for name in spec.numeric]])


@lru_cache(maxsize=4)
def _dictionary(text: str) -> Dictionary:
    """Read a dictionary, or take it from the few last read: most recordings on a shelf hold the same one."""
    return parse_dictionary(text, "this dictionary")


def open_review(path: Path) -> Review:
    """Open and compute a recording; raises SessionError with one plain sentence."""
    session = open_session(path)
    text = session.header.dictionary
    if text is None:
        raise SessionError(f"{path.name} holds no dictionary.")
    try:
        dictionary = _dictionary(text)
    except DictionaryError as error:
        raise SessionError(f"{path.name} holds a dictionary that cannot be used: {error}") from error
    sheets = sheet_numbers_of(*session.header.sheets)
    output = recorded_output(dictionary, session.records, session.header.origin_monotonic_ns, sheets)
    return Review(session, dictionary, output)


def heard(review: Review, role: str) -> tuple[Floats, Floats] | None:
    """Return (t, values) of a role as recorded, in order of time, each moment once; None when there is nothing."""
    channel = review.dictionary.roles.get(role)
    rows = review.output.rows.get(channel.packet) if channel is not None else None
    if channel is None or rows is None or not len(rows):
        return None
    t, index = np.unique(rows.t, return_index=True)
    return t, np.asarray(rows.columns[channel.name], dtype=np.float64)[index]
