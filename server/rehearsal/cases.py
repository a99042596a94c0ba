"""A case: the stimuli that show a fault, played as they are; made smaller while they still show it; kept in a file.

Search: delta debugging, the algorithm ddmin of A. Zeller and R. Hildebrandt, "Simplifying and isolating failure-
inducing input", IEEE Transactions on Software Engineering 28(2), 2002, pages 183 to 200: first over frames (one not
kept is not played), then over channels (one not kept tells all along what it told at the beginning), then over frames
once more: where few frames are left, each further try is short. Each try is a rehearsal of its own, every step answered
before the next.

What is not a number is wrong by itself; there the frames kept keep their times, and one step may be seconds long. What
is wrong only beside the twin's own computer is so where both can be compared: no step may be longer than it was in the
flight, and frames kept move together. A try that shows the same, but not with what began in that frame of the flight,
shows something else. The search ends after so many tries with the least that was found.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple, TypeVar

from protocol.dictionary import Dictionary
from server.problems import Problem
from server.rehearsal.conversation import Conversation, Ended, RehearsalProblem
from server.rehearsal.flown import Flown, Frame
from server.rehearsal.judging import BY_ITSELF, Judge, Wrong, believed_of
from server.rehearsal.sensor_faults import Stimulus
from server.rehearsal.shadow import Shadow
from server.twin.sandpiper import Vehicle

FORMAT = "blockhouse rehearsal case 1"
JITTER_S = 0.001
TRIES = 400
Moment = tuple[int, tuple[Stimulus, ...]]  # us since the beginning; stimuli, the step last
Item = TypeVar("Item")


class CaseProblem(Problem):
    """A case file cannot be used; the text is one plain sentence."""


class Step(NamedTuple):
    """A moment of a flight, and how long it came after the one before (us)."""

    gap_us: int
    moment: Moment


@dataclass(frozen=True)
class Case:
    """What to play and what it shows. `channels` are those whose values still move, `moments` the frames left."""

    moments: Sequence[Moment]
    kind: str
    component: str
    channels: Sequence[str]
    firmware: str = ""
    dictionary_hash: int = 0

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
        self.tries += 1
        flown = Flown(firmware=self.talk.firmware)
        self.talk.begin()
        try:
            for time_us, stimuli in moments:
                flown.frames.append(Frame(time_us, stimuli, self.talk.play(stimuli)))
        except Ended as ended:
            flown.ended = str(ended)
        self.talk.leave()
        return flown, self.judge.wrongs(flown, believed_of(Shadow(self.vehicle, self.talk.dictionary), flown))

    def shows(self, moments: Sequence[Moment], kind: str, component: str) -> Wrong | None:
        """Return the fault looked for when they show it."""
        if not moments:
            return None
        _, wrongs = self.wrongs(moments)
        return next((wrong for wrong in wrongs if (wrong.kind, wrong.component) == (kind, component)), None)


def moments_of(flown: Flown) -> list[Moment]:
    """Return what was played in a run, frames in which nothing arrived left out."""
    return [(frame.time_us, tuple(frame.stimuli)) for frame in flown.frames if frame.stimuli]


def shrunk(player: Player, moments: Sequence[Moment], wrong: Wrong, dictionary: Dictionary) -> Case:
    """Return the least of a run that still shows what was wrong in it.

    Raises RehearsalProblem when playing it again does not.
    """
    played = [moment for moment in moments if moment[0] <= wrong.time_us]
    if not _shows(player, played, wrong):
        played = list(moments)
        if not _shows(player, played, wrong):
            raise RehearsalProblem("Played again, the same stimuli do not show it: not reproduced.")
    rest = {name: values for _, stimuli in reversed(played) for name, _, values in stimuli}
    times = [time_us for time_us, _ in played]
    steps = [Step(now - before, moment) for before, now, moment in zip([0, *times], times, played, strict=False)]

    def made(some: Sequence[Step], kept: Sequence[str]) -> list[Moment]:
        timed = [step.moment for step in some] if wrong.kind in BY_ITSELF else moved_together(some)
        return [(t, _only(stimuli, kept, rest, dictionary)) for t, stimuli in timed]

    def shows(some: Sequence[Step], kept: Sequence[str], last: int) -> bool:
        return player.tries < last and _shows(player, made(some, kept), wrong)

    channels, tries = _channels(dictionary), player.tries
    left = ddmin(steps, lambda some: shows(some, channels, tries + TRIES // 2))
    kept = ddmin(channels, lambda some: shows(left, some, tries + 3 * TRIES // 4))
    left = ddmin(left, lambda some: shows(some, kept, tries + TRIES))
    return Case(made(left, kept), wrong.kind, wrong.component, kept, player.talk.firmware, dictionary.hash32)


def _shows(player: Player, moments: Sequence[Moment], wrong: Wrong) -> bool:
    """Tell whether they show the same: kind, component, and what began in that frame."""
    seen = player.shows(moments, wrong.kind, wrong.component)
    return seen is not None and set(wrong.began) <= set(seen.began)


def moved_together(steps: Sequence[Step]) -> list[Moment]:
    """Return the moments of steps, each as long after the one before as it was in the flight."""
    out: list[Moment] = []
    time_us = 0
    for step in steps:
        time_us += step.gap_us
        then_us, stimuli = step.moment
        out.append((time_us, tuple((name, max(0, at + time_us - then_us), values) for name, at, values in stimuli)))
    return out


def ddmin(items: Sequence[Item], shows: Callable[[Sequence[Item]], bool]) -> list[Item]:
    """Return a part of `items`, in order, that still shows it and of which no single one can be left out."""
    left, parts = list(items), 2
    if left and shows([]):
        return []
    while len(left) >= 2:
        size = -(-len(left) // parts)
        cuts = [left[at : at + size] for at in range(0, len(left), size)]
        smaller = next((cut for cut in cuts if shows(cut)), None) if parts <= len(left) and len(cuts) > 1 else None
        if smaller is not None:
            left, parts = smaller, 2
            continue
        rests = [[one for other in cuts if other is not cut for one in other] for cut in cuts]
        smaller = next((rest for rest in rests if len(rest) < len(left) and shows(rest)), None)
        if smaller is not None:
            left, parts = smaller, max(parts - 1, 2)
        elif parts < len(left):
            parts = min(len(left), parts * 2)
        else:
            break
    return left


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


def _channels(dictionary: Dictionary) -> list[str]:
    return [channel.path for packet in dictionary.stimuli.values() for channel in packet.channels]


def _only(
    stimuli: Sequence[Stimulus], kept: Sequence[str], rest: Mapping[str, Sequence[float]], dictionary: Dictionary
) -> tuple[Stimulus, ...]:
    """Return stimuli with only the kept channels moving; one without any of them, and not the step, is not played."""
    assert dictionary.rehearsal is not None
    out: list[Stimulus] = []
    for name, time_us, values in stimuli:
        paths = [channel.path for channel in dictionary.stimuli[name].channels]
        moving = [path in kept for path in paths]
        if any(moving) or name == dictionary.rehearsal.step:
            out.append((name, time_us, tuple(v if m else r for v, m, r in zip(values, moving, rest[name], strict=True))))
    return tuple(out)


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
        case = replace(case, firmware=str(said["firmware"]), dictionary_hash=int(said["dictionary_hash"], 16))
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
