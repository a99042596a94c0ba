"""The goals of the flight being recorded, judged as its recording will be: by the rows and the journal told so far."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from protocol.arrays import Floats
from server.review.goals import Flown, judged_card
from server.review.summary import last_of, moment_t, moments_told
from server.review.summary_shape import JudgedCard
from server.telemetry.columns import PLACE_COLUMNS
from server.telemetry.journal import JournalEntry, JournalShape
from server.telemetry.tables import TableSpec


def live_card(
    sheet: Mapping[str, object],
    specs: Mapping[str, TableSpec],
    rows: Mapping[str, np.ndarray],
    journal: Iterable[JournalShape],
) -> JudgedCard | None:
    """Return the card of the vehicle's sheet judged by what was heard; None before a landing and without a card.

    `rows` by table: matrices of shape (n, 2 + numeric columns), t and rx first, in s.
    """
    entries = [JournalEntry(e["rx"], e["t"], e["topic"], e["key"], e["severity"], e["text"], e["body"]) for e in journal]
    moments = moments_told(entries)
    if "landing" not in moments:
        return None

    def heard(table: str, column: str) -> tuple[Floats, Floats] | None:
        if not len(rows[table]):
            return None
        return rows[table][:, 0], rows[table][:, len(PLACE_COLUMNS) + specs[table].numeric.index(column)]

    figures = {e.key: e.body for e in last_of(entries, "figure") if not e.body.get("withdrawn")}
    lift_off, landing = moment_t(moments.get("lift_off")), moment_t(moments["landing"])
    return judged_card(Flown(sheet, specs, heard, lift_off, landing, figures))
