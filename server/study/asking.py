"""A recording as it is asked: its whole flight, as judgements read it."""

from __future__ import annotations

from server.analysis.judgements.case import Case
from server.analysis.pipeline import recorded_case
from server.design.sheet_numbers import sheet_numbers_of
from server.review.review import Review


def whole_flight(review: Review) -> Case:
    """Return the flight as known at the recording's end; computes everything once more, as opening it did."""
    session = review.session
    facts = sheet_numbers_of(*session.header.sheets)
    return recorded_case(review.dictionary, session.records, session.header.origin_monotonic_ns, facts)
