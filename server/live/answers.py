"""The vehicle's answers to commands, found among the rows of what just arrived by the roles the dictionary gives them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from protocol.dictionary import Dictionary
from server.analysis.pipeline import Output

ROLES = ("answer.boot_id", "answer.counter", "answer.stage", "answer.reason")


class CommandAnswer(NamedTuple):
    """One answer: to which start, counter and code it belongs (code None where no field tells it), and what it says."""

    boot_id: int
    counter: int
    stage: str
    reason: str
    code: int | None = None


def answers_in(dictionary: Dictionary, output: Output) -> list[CommandAnswer]:
    """Return the answers in order of arrival; a stage the dictionary has no word for says nothing."""
    channels = [channel for role in ROLES if (channel := dictionary.roles.get(role)) is not None]
    rows = output.rows.get(channels[0].packet) if len(channels) == len(ROLES) else None
    if rows is None:
        return []
    columns = [rows.columns[channel.name] for channel in channels]
    numbers = [column.tolist() for column in columns if isinstance(column, np.ndarray)]
    code = dictionary.roles.get("answer.code")
    told = code is not None and code.packet == channels[0].packet
    codes = rows.numbers(code.name).tolist() if code is not None and told else [None] * len(rows)
    answers = []
    for boot_id, counter, stage, reason, asked in zip(*numbers, codes, strict=True):
        said, why = channels[2].text_of(stage), channels[3].text_of(reason) or f"reason {reason:g}"
        if said is not None:
            answers.append(CommandAnswer(int(boot_id), int(counter), said, why, None if asked is None else int(asked)))
    return answers
