"""`blockhouse rehearse --session`: a recorded flight flown again, what the computer answers held against the record."""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path

from protocol.dictionary import Dictionary
from server.cli.paper import ACT, LOOK, TITLE, Block, Words, show
from server.recording.records import Kind
from server.rehearsal.cases import Player
from server.rehearsal.conversation import RehearsalProblem
from server.rehearsal.flown import Flown
from server.rehearsal.judging import ENDED, NOT_FINITE, Wrong
from server.rehearsal.open_loop import Comparison, sentence
from server.rehearsal.played_back import Column, Recorded, flown, of_stimuli, rehearsed
from server.review.review import Review, open_review
from server.shelf.onboard_alignment import align_log
from server.shelf.onboard_card import read_files
from server.shelf.onboard_loose import read_loosely
from server.shelf.onboard_mapping import LogProblem

TOLD_AT_MOST = 6


def recorded_flight(session: Path, onboard: Path | None, dictionary: Dictionary) -> tuple[Recorded, bool]:
    """Return what a recording has to play, and whether that is every value the computer flew on.

    Raises SessionError, LogProblem and RehearsalProblem, each with one sentence.
    """
    review = open_review(session)
    log = None if onboard is None else log_columns(review, onboard)
    if log is None and review.dictionary.hash32 == dictionary.hash32:
        moments = of_stimuli(dictionary, (one.payload for one in review.session.records if one.kind == Kind.SENT))
        if moments:
            return rehearsed(review.output.rows, moments, dictionary), True
    return flown(review.output.rows, review.dictionary, dictionary, log), False


def log_columns(review: Review, file: Path) -> dict[str, Column]:
    """Read an onboard log by role, on the session's clock; raises LogProblem and RehearsalProblem."""
    try:
        log = read_files([file], review.dictionary)
    except LogProblem:
        log = read_loosely([file])
    alignment = align_log(review, log)
    if alignment.refused:
        raise RehearsalProblem(f"{file.name} cannot be laid on the session's clock: {alignment.refused}.")
    t = alignment.to_reference(log.t)
    found: dict[str, Column] = {}
    for column in log.columns:
        told = column.values == column.values
        if column.role and told.any():
            found[column.role] = Column(t[told], column.values[told])
    return found


def fly_again(options: argparse.Namespace, dictionary: Dictionary, player: Player) -> tuple[Flown, list[Wrong], list[Wrong]]:
    """Play a recording; print what came of it. Returns the run, what is apart from the record, what is wrong by itself."""
    recorded, exact = recorded_flight(options.session, options.onboard, dictionary)
    if not recorded.moments:
        raise RehearsalProblem(f"{options.session.name} holds nothing to play.")
    begun_s = time.monotonic()
    run, wrongs = player.wrongs(recorded.moments)
    run.took_s = time.monotonic() - begun_s
    wrongs = [wrong for wrong in wrongs if wrong.kind in (NOT_FINITE, ENDED)]  # the twin's computer knows another vehicle
    apart = Comparison(player.talk.reader, recorded, exact).wrongs(run)
    show(list(blocks(options.session.name, dictionary, recorded, exact, run, apart, wrongs)))
    return run, apart, wrongs


def blocks(
    name: str, dictionary: Dictionary, recorded: Recorded, exact: bool, run: Flown, apart: list[Wrong], wrongs: list[Wrong]
) -> Iterator[Block]:
    """Yield what is printed of a recording flown again."""
    channels = {channel.path: channel for packet in dictionary.packets.values() for channel in packet.channels}
    kept = "every stimulus as it was sent" if exact else "the sensors that were recorded, at their own times"
    yield Words(f"{name}: {len(run.frames)} of {len(recorded.moments)} moments played, {kept}.", TITLE)
    yield from (Words(sentence_, LOOK, 2) for sentence_ in recorded.left_out)
    if not exact:
        yield Words(
            "Fewer values than the computer flew on: only what is further apart than that explains is told.", indent=2
        )
    if not apart:
        yield Words(f"No frame apart from the {len(recorded.said)} packets recorded.")
    for wrong in apart[:TOLD_AT_MOST]:
        yield Words(f"First apart: {sentence(wrong, channels)}" if wrong is apart[0] else sentence(wrong, channels), ACT)
    for wrong in wrongs[:1]:
        yield Words(f"By itself: {wrong.sentence()}", ACT)
