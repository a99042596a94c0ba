"""The table of what can be asked of a recording."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module

from server.analysis.judgements.case import Case
from server.problems import Problem
from server.study.study import Study


@dataclass(frozen=True)
class Subject:
    """One question: how a person asks it, and the module whose `study(case)` answers it, loaded when it is asked."""

    question: str
    module: str


SUBJECTS: Mapping[str, Subject] = {
    "pitch-over": Subject("Why did it lean after the rail?", "pitch_over"),
    "control": Subject("Did fins and side motors turn it, how hard, and the right way round?", "control"),
    "loop": Subject("How good was the roll control, and where can its gains stay?", "loop"),
    "servos": Subject("Did the servos do what they were asked?", "servos"),
    "attitude": Subject("How did it lie by its raw sensors, and is the claimed attitude to be believed?", "attitude"),
    "bad-frame": Subject("Which input came before a state vector that is no number?", "bad_frame"),
    "thrust-stand": Subject("What did the motor give on the stand?", "thrust_stand"),
}


class UnknownSubject(Problem):
    """Nothing of that name can be asked; the text is one plain sentence."""


def answered(subject: str, case: Case) -> Study:
    """Return the study of one subject; raises UnknownSubject."""
    asked = SUBJECTS.get(subject)
    if asked is None:
        raise UnknownSubject(f"There is no study {subject!r}; there are: {', '.join(SUBJECTS)}.")
    study: Callable[[Case], Study] = import_module(f"server.study.{asked.module}").study
    return study(case)
