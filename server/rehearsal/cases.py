"""A case: the stimuli that show a fault, played as they are, each step answered before the next, and kept in a file."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from protocol.dictionary import Dictionary
from server.problems import Problem
from server.rehearsal.conversation import Conversation, Ended, StoodStill
from server.rehearsal.flown import Flown, Frame
from server.rehearsal.judging import Judge, Wrong, believed_of
from server.rehearsal.sensor_faults import Stimulus
from server.rehearsal.shadow import Believed, Shadow
from server.twin.sandpiper import Vehicle

FORMAT = "blockhouse rehearsal case 1"
JITTER_S = 0.001
TRIES = 3  # to play a case on a machine that stands still
Moment = tuple[int, tuple[Stimulus, ...]]  # us since the beginning; stimuli, the step last


class CaseProblem(Problem):
    """A case file cannot be used; the text is one plain sentence."""


@dataclass(frozen=True)
class Case:
    """What to play and what it shows. `channels` are those whose values still move, `moments` the frames left.

    `within` is how many times the bounds on the state vector what it shows lies beyond: less shows something else.
    """

    moments: Sequence[Moment]
    kind: str
    component: str
    channels: Sequence[str]
    firmware: str = ""
    dictionary_hash: int = 0
    within: float = 1.0
    least: bool = field(default=False, compare=False)  # the search found no single frame that can be left out

    @property
    def frames(self) -> int:
        """How many frames there are."""
        return len(self.moments)


@dataclass
class Player:
    """Plays moments to one flight computer, each try as a rehearsal of its own, and judges what it answers."""

    talk: Conversation
    judge: Judge
    vehicle: Vehicle
    tries: int = 0

    def wrongs(self, moments: Sequence[Moment]) -> tuple[Flown, list[Wrong]]:
        """Play them; return the answers and everything that was wrong."""
        flown, _, wrongs = self.judged(moments)
        return flown, wrongs

    def judged(self, moments: Sequence[Moment]) -> tuple[Flown, list[Believed | None], list[Wrong]]:
        """Play them; return the answers, what the twin's own computer believed, and everything that was wrong.

        Raises StoodStill when this machine stood still in each of a few tries.
        """
        flown = self._played(moments)
        believed = believed_of(Shadow(self.vehicle, self.talk.dictionary), flown)
        return flown, believed, self.judge.wrongs(flown, believed)

    def _played(self, moments: Sequence[Moment]) -> Flown:
        for left in reversed(range(TRIES)):
            self.tries += 1
            flown = Flown(firmware=self.talk.firmware)
            self.talk.begin()
            try:
                for time_us, stimuli in moments:
                    flown.frames.append(Frame(time_us, stimuli, self.talk.play(stimuli)))
            except StoodStill:
                if left:
                    continue
                raise
            except Ended as ended:
                flown.ended = str(ended)
            self.talk.leave()
            break
        return flown

    def asked_for(self, within: float) -> Player:
        """Return it with bounds on the state vector so many times as wide."""
        return replace(self, judge=replace(self.judge, bounds=self.judge.bounds.times(within)))

    def shows(self, moments: Sequence[Moment], kind: str, component: str) -> Wrong | None:
        """Return the fault looked for when they show it."""
        if not moments:
            return None
        _, wrongs = self.wrongs(moments)
        return next((wrong for wrong in wrongs if (wrong.kind, wrong.component) == (kind, component)), None)


def moments_of(flown: Flown) -> list[Moment]:
    """Return what was played in a run, frames in which nothing arrived left out."""
    return [(frame.time_us, tuple(frame.stimuli)) for frame in flown.frames if frame.stimuli]


def how_often(player: Player, case: Case, times: int, rng: random.Random, jitter_s: float = JITTER_S) -> int:
    """Play a case so often, its times moved by up to `jitter_s` either way (in order still); return how often it shows."""
    return sum(
        player.shows(_jittered(case.moments, rng, jitter_s), case.kind, case.component) is not None for _ in range(times)
    )


def _jittered(moments: Sequence[Moment], rng: random.Random, jitter_s: float) -> list[Moment]:
    out: list[Moment] = []
    last_us = -1
    for time_us, stimuli in moments:
        last_us = max(last_us + 1, time_us + round(rng.uniform(-jitter_s, jitter_s) * 1e6))
        out.append((last_us, tuple((name, last_us, values) for name, _, values in stimuli)))
    return out


# ---------------------------------------------------------------- the file


def case_text(case: Case) -> str:
    """Return a case as its file holds it: JSON, a line for each frame."""
    head = {
        "format": FORMAT,
        "kind": case.kind,
        "component": case.component,
        "channels": list(case.channels),
        "firmware": case.firmware,
        "dictionary_hash": f"{case.dictionary_hash:08x}",
        "within": case.within,
    }
    rows = [json.dumps([time_us, [[name, values] for name, _, values in stimuli]]) for time_us, stimuli in case.moments]
    return json.dumps(head)[:-1] + ', "frames": [\n' + ",\n".join(rows) + "\n]}\n"


def read_case(path: Path, dictionary: Dictionary) -> Case:
    """Read a case file; raises CaseProblem, and OSError."""
    try:
        said = json.loads(path.read_text("utf-8"))
        if said["format"] != FORMAT:
            raise CaseProblem(f"{path} is no rehearsal case of this version.")
        moments: list[Moment] = [
            (int(t), tuple((str(name), int(t), tuple(float(v) for v in values)) for name, values in stimuli))
            for t, stimuli in said["frames"]
        ]
        case = Case(moments, str(said["kind"]), str(said["component"]), [str(c) for c in said["channels"]])
        hash32, within = int(said["dictionary_hash"], 16), float(said.get("within", 1.0))
        case = replace(case, firmware=str(said["firmware"]), dictionary_hash=hash32, within=within)
        if not 0.0 < within < math.inf:
            raise ValueError(within)
    except (ValueError, KeyError, TypeError) as error:
        raise CaseProblem(f"{path} cannot be read as a rehearsal case.") from error
    if case.dictionary_hash != dictionary.hash32:
        raise CaseProblem(
            f"{path} was made with dictionary {case.dictionary_hash:08x}, this one is {dictionary.hash32:08x}."
        )
    fits = all(
        name in dictionary.stimuli and len(values) == len(dictionary.stimuli[name].channels)
        for _, stimuli in case.moments
        for name, _, values in stimuli
    )
    if not fits or not case.moments:
        raise CaseProblem(f"{path} holds stimuli that {dictionary.name} does not describe.")
    return case
