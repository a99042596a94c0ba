"""From records to what is shown: one pipeline for live, demo and replay.

`Pipeline.take(record)` is the live form, one record at a time. `recorded_output(session...)` hands the whole recording
through the same analysis at once. Everything shown, judged or exported comes out of here and is a pure function of
(records, dictionary); `tests/server/analysis/test_pipeline.py` compares the two forms value for value and entry for entry.

What judging tells belongs to the chunk at which it was due, after all else that chunk led to. Live it may be told later,
since a thread of its own works it out; by order of arrival (`rx_s`) the journals are the same.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from protocol.arrays import Ints
from protocol.dictionary import Dictionary
from protocol.link import Link
from server.analysis.analysis import Analysis, take_in_pieces
from server.analysis.judging import Heard, Judging
from server.analysis.trackers.output import Fault, Instant, Told, TrackerOutput, fault_entry
from server.design.pad_wind import tells_wind
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.recording.records import Kind, Record
from server.telemetry.batch import Batch, Rows, joined
from server.telemetry.decoding import LiveDecoder, decode_one_by_one, decode_recording
from server.telemetry.journal import JournalEntry
from server.timestamps import NS_PER_S

NOTE_TOPICS: dict[int, str] = {
    Kind.OUTCOME: "command",
    Kind.ACT: "act",
    Kind.LINK: "link",
    Kind.CLOCK: "clock",
    Kind.GAP: "gap",
    Kind.ALARM: "alarm",
    Kind.MARK: "mark",
    Kind.NOTE: "note",
}
# What a note may call itself instead. What the station computes (moments, phases, ...) no note can claim.
OWN_TOPICS = frozenset({"recording", "authority", "permit", "trial", "pad_sheet", "count", "acknowledged", "fault"})
NOT_DECODED = "a part of what was received could not be decoded"

_log = logging.getLogger(__name__)


@dataclass
class Output:
    """What one or many records led to: rows by table (packets and computed ones), and journal entries in order."""

    rows: dict[str, Rows] = field(default_factory=dict)
    entries: list[JournalEntry] = field(default_factory=list)
    batch: Batch | None = None


class Pipeline:
    """The live form. Records must come in order of their sequence numbers."""

    def __init__(
        self,
        dictionary: Dictionary,
        origin_ns: int,
        facts: SheetNumbers = NOTHING_TOLD,
        link: Link | None = None,
    ) -> None:
        self._dictionary = dictionary
        self._origin_ns = origin_ns
        self._decoder = LiveDecoder(dictionary, link)
        self.analysis = Analysis(dictionary, facts)
        self.judging = Judging(dictionary, facts)
        self._hand_over: Callable[[Heard], None] | None = None
        self._has_failed = False
        self._noted: list[JournalEntry] = []  # what people wrote that judging reads, waiting for the next frame

    def judge_elsewhere(self, put: Callable[[Heard], None]) -> None:
        """Give `put` from now on what is to be judged; `judging` is not touched here any more."""
        self._hand_over = put

    @property
    def last_t(self) -> float:
        """The greatest timeline second heard so far."""
        return self._decoder.timeline.last_t

    @property
    def last_rx_s(self) -> float | None:
        """Session second of the last good packet."""
        return self._decoder.timeline.last_rx_s

    def rx_s(self, mono_ns: int) -> float:
        """Return session seconds of a monotonic time."""
        return (mono_ns - self._origin_ns) / NS_PER_S

    def take_up(self, records: Iterable[Record]) -> Output:
        """Go through the records of a session's earlier parts at once, as `take` would one by one, before any `take`."""
        kept = list(records)
        self.analysis, self.judging, output = _whole(self._dictionary, kept, self._origin_ns, self.analysis, self.judging)
        for record in kept:  # leaves link, timeline and what waits for a frame as if every chunk had come live
            if record.kind == Kind.RECEIVED:
                batch = self._decoder.decode(record.payload, self.rx_s(record.mono_ns))
                self._has_failed = self._has_failed or batch.failure is not None
                if len(batch.frame_rx_s):
                    self._noted.clear()
            else:
                self._keep_for_judging(note_entry(record, self.rx_s(record.mono_ns), self.last_t))
        return output

    def _keep_for_judging(self, entry: JournalEntry | None) -> None:
        if entry is not None and tells_wind(entry.topic, entry.body):
            self._noted.append(entry)

    def _heard(self, batch: Batch, found: TrackerOutput) -> Heard:
        """Return what judging is given of a batch: what people wrote before its first frame comes before all else of it."""
        heard = Heard.of(batch, found)
        if not self._noted or not len(batch.frame_rx_s):
            return heard
        noted, self._noted = self._noted, []
        return heard.after_notes([Told(batch.first_order, entry, None) for entry in noted])

    def take(self, record: Record) -> Output:
        """Return what one record leads to."""
        rx_s = self.rx_s(record.mono_ns)
        if record.kind == Kind.RECEIVED:
            batch = self._decoder.decode(record.payload, rx_s)
            found = self.analysis.take(batch)
            entries = told_by(found)
            if batch.failure is not None and not self._has_failed:
                self._has_failed = True
                entries.append(_not_decoded(rx_s, self.last_t, batch.failure))
            heard = self._heard(batch, found)
            if self._hand_over is not None:
                self._hand_over(heard)
            else:
                entries += told_by(self.judging.take(heard))
            return Output({**batch.rows, **found.rows}, entries, batch)
        entry = note_entry(record, rx_s, self.last_t)
        self._keep_for_judging(entry)
        return Output({}, [entry] if entry is not None else [])


def note_entry(record: Record, rx_s: float, t: float) -> JournalEntry | None:
    """Return the journal entry of a note record, or None for kinds that show nothing."""
    topic = NOTE_TOPICS.get(record.kind)
    if topic is None:
        return None
    try:
        note = record.note()
    except ValueError:
        return JournalEntry(rx_s, t, topic, "unreadable", "caution", "a note of the recording cannot be read", {})
    body, own = note.get("body"), note.get("topic")
    return JournalEntry(
        rx_s,
        t,
        own if isinstance(own, str) and own in OWN_TOPICS else topic,
        str(note.get("key", "")),
        str(note.get("severity", "info")),
        str(note.get("text", "")),
        body if isinstance(body, dict) else {},
    )


def recorded_output(
    dictionary: Dictionary, records: Iterable[Record], origin_ns: int, facts: SheetNumbers = NOTHING_TOLD
) -> Output:
    """Return what all records of a session lead to, in one go."""
    return _whole(dictionary, records, origin_ns, Analysis(dictionary, facts), Judging(dictionary, facts))[2]


def told_by(found: TrackerOutput) -> list[JournalEntry]:
    """Return the entries of an output, and log what raised."""
    _log_all(found.faults)
    return [entry for _, entry in found.entries]


def _log_all(faults: Iterable[Fault]) -> None:
    for fault in faults:
        _log.error("%s", fault.text, exc_info=fault.error)


def _not_decoded(rx_s: float, t: float, failure: Exception) -> JournalEntry:
    """Return (and log) the one entry of bytes that could not be decoded; decoding goes on with what follows."""
    _log_all([Fault(NOT_DECODED, failure)])
    return fault_entry(Instant(0, rx_s, t), "decoding", NOT_DECODED, failure)


_Chunks = list[tuple[float, bytes]]


def _decoded(dictionary: Dictionary, chunks: _Chunks) -> tuple[Batch, Ints, tuple[int, JournalEntry] | None]:
    """Return the batch of all chunks, the frames complete after 0, 1, ... of them, and a failure with its chunk's count.

    Only where decoding all at once fails it is done as it was live, piece by piece, to lose what was lost then.
    """
    try:
        return *decode_recording(dictionary, chunks), None
    except Exception as error:
        _log.info("decoding piece by piece, since all at once failed: %s", error)
    batches, failed, frames = [Batch()], None, [0]
    for batch in decode_one_by_one(dictionary, chunks):
        batches.append(batch)
        frames.append(frames[-1] + len(batch.frame_rx_s))
        if batch.failure is not None and failed is None:
            rx_s = chunks[len(frames) - 2][0]
            t = max((float(one.frame_t[-1]) for one in batches if len(one.frame_t)), default=0.0)
            failed = len(frames) - 1, _not_decoded(rx_s, t, batch.failure)
    names = dict.fromkeys(name for batch in batches for name in batch.rows)
    whole = Batch(
        {name: joined([batch.rows[name] for batch in batches if name in batch.rows]) for name in names},
        [event for batch in batches for event in batch.events],
        np.concatenate([batch.frame_rx_s for batch in batches]),
        np.concatenate([batch.frame_bytes for batch in batches]),
        np.concatenate([batch.frame_t for batch in batches]),
    )
    return whole, np.array(frames, dtype=np.int64), failed


def _noted(
    notes: list[tuple[int, Record]], batch: Batch, frames_after: Ints, origin_ns: int
) -> list[tuple[int, JournalEntry]]:
    """Return the entries of note records, each with the count of chunks before it."""
    found = []
    for chunk_count, record in notes:
        frames = int(frames_after[chunk_count])
        t = float(batch.frame_t[frames - 1]) if frames else 0.0
        entry = note_entry(record, (record.mono_ns - origin_ns) / NS_PER_S, t)
        if entry is not None:
            found.append((chunk_count, entry))
    return found


def _whole(
    dictionary: Dictionary, records: Iterable[Record], origin_ns: int, analysis: Analysis, judging: Judging
) -> tuple[Analysis, Judging, Output]:
    """Return analysis and judging after the records, and what they lead to."""
    chunks: _Chunks = []
    notes: list[tuple[int, Record]] = []
    for record in records:
        if record.kind == Kind.RECEIVED:
            chunks.append(((record.mono_ns - origin_ns) / NS_PER_S, record.payload))
        elif record.kind in NOTE_TOPICS:
            notes.append((len(chunks), record))
    batch, frames_after, failed = _decoded(dictionary, chunks)
    edges = np.unique(frames_after)
    analysis, found = take_in_pieces(analysis, batch, edges, Analysis.take)
    noted = _noted(notes, batch, frames_after, origin_ns)
    wrote = [Told(int(frames_after[count]), entry, None) for count, entry in noted if tells_wind(entry.topic, entry.body)]
    judging, judged = take_in_pieces(judging, Heard.of(batch, found).after_notes(wrote), edges, Judging.take)
    # What is told after so many chunks: that the last of them failed, what was judged of it, notes before the next.
    after: list[tuple[int, int, JournalEntry]] = [] if failed is None else [(failed[0], 0, failed[1])]
    places = np.searchsorted(frames_after, [order for order, _ in judged.entries], side="right").tolist()
    after += [(place, 1, entry) for place, entry in zip(places, told_by(judged), strict=True)]
    after += [(chunk_count, 2, entry) for chunk_count, entry in noted]
    after.sort(key=lambda item: item[:2])
    keyed = [((order, 1), entry) for (order, _), entry in zip(found.entries, told_by(found), strict=True)]
    keyed += [((int(frames_after[chunk_count]), 0), entry) for chunk_count, _, entry in after]
    keyed.sort(key=lambda item: item[0])
    return analysis, judging, Output({**batch.rows, **found.rows}, [entry for _, entry in keyed], batch)
