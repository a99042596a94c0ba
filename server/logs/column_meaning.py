"""What the columns of a newcomer's logs are, by unit, plain words and statistics; and what that leaves open.

Statistics are physics, not tables of loggers: a column that never falls back and rises in even steps is a time; on the pad
an accelerometer reads 1 g and a barometer some hundred hectopascal; a height rises, has one top, and around it falls at 1 g,
which tells feet from meters and milliseconds from seconds. What none of these tells is said and left without a role.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from server.logs.column_heights import find_height, find_pressure, settle_height_unit
from server.logs.column_sensors import find_by_words, find_forces, find_places, find_rates
from server.logs.column_time import find_time, settle_time_unit
from server.logs.log_columns import Column, Meaning
from server.logs.text_log import LogTable, stem_and_unit


def meaning_of(tables: Sequence[LogTable], told: Mapping[str, tuple[str, str]]) -> Meaning:
    """Return what the columns are; `told` gives (role, unit) of columns by heading or number from 1, "" for leave it."""
    meaning = Meaning([list(_columns(number, table)) for number, table in enumerate(tables)])
    for columns in meaning.columns:
        _told(columns, told)
    for columns in meaning.columns:
        find_time(columns, meaning)
    free = [column for columns in meaning.columns for column in columns if column.values is not None and not column.taken]
    find_pressure(free, meaning)
    find_places(free, meaning)
    find_height(free, meaning)
    for number in range(len(tables)):
        settle_time_unit(number, meaning)
    settle_height_unit(meaning)
    find_forces(free, meaning)
    find_rates(free, meaning)
    find_by_words(free, meaning)
    return meaning


def _columns(number: int, table: LogTable) -> Iterator[Column]:
    for place, heading in enumerate(table.headings):
        stem, unit = stem_and_unit(heading)
        words = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", stem)
        words = re.sub(r"[^a-z0-9]+", "_", words.lower()).strip("_")
        from_row = stem_and_unit(f"x [{table.units[place]}]")[1]
        yield Column(number, place, heading, words, from_row or unit, table.numbers(place))


def _told(columns: Sequence[Column], told: Mapping[str, tuple[str, str]]) -> None:
    for column in columns:
        given = told.get(column.heading) or told.get(str(column.place + 1))
        if given is not None:
            column.role, column.unit, column.taken = given[0], given[1] or column.unit, True
