"""A recorded flight flown again: its sensors into the computer at their own times, its answers held against the record.

Told is the first frame that is apart, with every component of it that is: what is a number in one and none in the other
first, then switches, phases and modes, then values. Where every stimulus is in the recording, the answers must be the same.
Where a radio brought fewer values than the computer flew on, what it did comes a little sooner or later: then a recorded
value is apart when it is further than `Bounds` allows from all that was answered within `WITHIN_S` before and after;
turning is not compared once recovery was ordered, nor what a stimulus tells that is not recorded, nor from then on a
velocity that leans on it. Around landing switches may come as much later or sooner as lying still may take to believe.
What the computer knew before the played part began is not known, so the first seconds are not compared. What a switch of
the vehicle measures, a separation, is no answer of the computer and never compared.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.fields import Channel
from protocol.roles import entry_of
from server.rehearsal.answers import AnswerReader
from server.rehearsal.flown import Flown, Frame
from server.rehearsal.judging import LANDED_WITHIN_S, NOT_FINITE, Bounds, Wrong, bound_of, changes, word_of
from server.rehearsal.played_back import Recorded, Said

SETTLED_US = 4_000_000
WITHIN_S = 0.5
LANDED, LANDED_US = "landed", round(LANDED_WITHIN_S * 1e6)
LEANS_ON = {f"velocity.{axis}": f"position.{axis}" for axis in ("east", "north")}  # under canopies, swinging, on fixes alone
RECORDED_APART = "recorded apart"


# What a radio brings is as old as its packets are rare: height and climb are held no closer than what lies sideways.
RADIO_BOUNDS = Bounds(up_m=Bounds.position_m, climb_m_s=Bounds.velocity_m_s)


@dataclass
class Comparison:
    """Holds a computer's answers against those recorded. `exact` where the recording has every stimulus."""

    reader: AnswerReader
    recorded: Recorded
    exact: bool
    bounds: Bounds = RADIO_BOUNDS

    def wrongs(self, flown: Flown) -> list[Wrong]:
        """Return the first frame apart, with every component of it that is; nothing where none is."""
        whole = [place for place, frame in enumerate(flown.frames) if _is_whole(frame)]
        times = np.array([flown.frames[place].time_us for place in whole])
        tables = [_table(flown.frames, whole, index) for index in range(len(self.reader.names))]
        landings = self._landings(times, tables)
        around_us = 0 if self.exact else round(WITHIN_S * 1e6)
        for said in self.recorded.said:
            low, high = np.searchsorted(times, (said.time_us - around_us, said.time_us + around_us + 1)).tolist()
            # The record may go on where the run has ended, and begins before the computer has settled.
            if low == high or said.time_us > times[-1] or (not self.exact and said.time_us < SETTLED_US):
                continue
            at = min(max(int(np.searchsorted(times, said.time_us, side="right")) - 1, low), high - 1)
            index = self.reader.names.index(said.packet)
            long = [told_us for told_us in landings if abs(said.time_us - told_us) <= LANDED_US]
            wide = (
                np.searchsorted(times, (said.time_us - LANDED_US, said.time_us + LANDED_US + 1)).tolist() if long else None
            )
            answer = flown.frames[whole[high - 1]].answer
            deployed = answer is not None and bool(answer.state[self.reader.state_places["ordered"]])
            switched = tables[index][slice(*wide)] if wide is not None else tables[index][low:high]
            kinds = self._kinds(index, tables[index][low:high], switched, said, deployed)
            if kinds:
                began = changes(self.reader, flown.frames[whole[at - 1]] if at else None, flown.frames[whole[at]])
                words, frame = tuple(began), whole[at]
                return [
                    Wrong(
                        kind, frame, int(times[at]), channel.path, float(tables[index][at, place]), said.values[place], words
                    )
                    for kind, place, channel in kinds
                ]
        return []

    def _landings(self, times: np.ndarray, tables: Sequence[Floats]) -> list[int]:
        """Return when landing was told first, us, in the answers and in the record; nothing where the record is exact."""
        index, place = self.reader.places.get("vehicle_phase", (0, -1))
        if self.exact or place < 0 or LANDED not in (words := self.reader.channels[index][place].values):
            return []
        number = words.index(LANDED)
        mine = times[tables[index][:, place] == number].tolist()
        theirs = [
            s.time_us for s in self.recorded.said if s.packet == self.reader.names[index] and s.values[place] == number
        ]
        return [*mine[:1], *theirs[:1]]

    def _kinds(
        self, index: int, played: Floats, switched: Floats, said: Said, deployed: bool
    ) -> list[tuple[str, int, Channel]]:
        """Return what of one recorded packet is apart from the answers of its time: kind, place, channel.

        `played` are the answers that values are held against, `switched` those for switches, phases and modes.
        """
        channels = self.reader.channels[index]
        theirs = np.array(said.values)
        known, finite = np.isfinite(theirs), np.isfinite(played)
        found = [(NOT_FINITE, place) for place in np.flatnonzero(~(finite == known).any(axis=0)).tolist()]
        low, high = np.where(finite, played, np.inf).min(axis=0), np.where(finite, played, -np.inf).max(axis=0)
        told = np.where(known, theirs, 0.0)
        beyond = np.maximum(low - told, told - high)
        apart = known & finite.any(axis=0) & (beyond > [self._bound(channel, deployed) for channel in channels])
        switches = np.array([channel.kind != "number" for channel in channels])
        measured = np.array([channel.kind != "number" and _is_measured(channel) for channel in channels])
        apart = (apart | switches & known & ~(switched == theirs).any(axis=0)) & ~measured
        order = sorted(np.flatnonzero(apart).tolist(), key=lambda place: not switches[place])
        found += [(RECORDED_APART, place) for place in order]
        return [(kind, int(place), channels[place]) for kind, place in found]

    def _bound(self, channel: Channel, deployed: bool) -> float:
        if self.exact:
            return 0.0
        if channel.role in self.recorded.unplayed or (
            deployed and LEANS_ON.get(channel.role or "") in self.recorded.unplayed
        ):
            return math.inf
        bound = bound_of(channel.role or "", self.bounds, deployed)
        return math.inf if bound is None else bound


def _is_measured(channel: Channel) -> bool:
    entry = entry_of(channel.role) if channel.role is not None else None
    return entry is not None and entry.is_sensor


def _is_whole(frame: Frame) -> bool:
    return frame.answer is not None and None not in frame.answer.packets


def _table(frames: Sequence[Frame], whole: Sequence[int], index: int) -> Floats:
    rows = [answer.packets[index] for place in whole if (answer := frames[place].answer) is not None]
    return np.array(rows, dtype=np.float64).reshape(len(whole), -1)


def sentence(wrong: Wrong, channels: Mapping[str, Channel]) -> str:
    """Return a difference as a person reads it."""
    words = channels[wrong.component].values
    mine, theirs = (word_of(words, math.nan if value is None else value) for value in (wrong.told, wrong.wanted))
    began = f"; in that frame: {', '.join(wrong.began)}" if wrong.began else ""
    return f"frame {wrong.frame}, {wrong.time_us / 1e6:.3f} s: {wrong.component} is {mine}, recorded was {theirs}{began}"
