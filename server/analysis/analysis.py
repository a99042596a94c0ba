"""The station's own understanding of a stretch of packets: computed tables and journal entries.

One code path for live and recorded data: `Analysis.take` is given batches of any size and its trackers keep all state
between them, so that a recording handed over whole gives the same rows and entries as the same packets one by one.
`judging` is the stage after it; both may be given a recording whole by `take_in_pieces`.

A tracker that raises loses its own results only. What it held is no longer to be believed, so it is put aside for the rest
of the session, with one entry at the last frame of the piece it failed at; alarms it had raised stay raised. For a replay
to tell the same, `take_in_pieces` looks for that piece by halving.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from typing import NamedTuple, Protocol, Self, TypeVar

from protocol.arrays import Bools, Ints
from protocol.dictionary import Dictionary
from server.analysis.trackers.continuity import ContinuityTracker
from server.analysis.trackers.dictionary_hash import DictionaryHashTracker
from server.analysis.trackers.downlink import DownlinkTracker
from server.analysis.trackers.flags import FlagTracker
from server.analysis.trackers.flight_rules import FlightRulesTracker
from server.analysis.trackers.gnss import GnssTracker
from server.analysis.trackers.guard import GuardTracker
from server.analysis.trackers.height import HeightTracker
from server.analysis.trackers.inertial_units import InertialUnitsTracker
from server.analysis.trackers.lag import LagTracker
from server.analysis.trackers.limits import LimitTracker
from server.analysis.trackers.motion import MotionTracker
from server.analysis.trackers.output import Instant, Tracker, TrackerOutput
from server.analysis.trackers.packet_kinds import PacketKindsTracker
from server.analysis.trackers.phase_agreement import PhaseAgreementTracker
from server.analysis.trackers.power import PowerTracker
from server.analysis.trackers.progress import ProgressTracker
from server.analysis.trackers.role_columns import RoleColumns
from server.analysis.trackers.saturation import SaturationTracker
from server.analysis.trackers.servo_cable import ServoCableTracker
from server.analysis.trackers.state_vector import StateVectorTracker
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.flight.sensors.state_health import GroundEstimate
from server.telemetry.batch import Batch, Rows


class Part(NamedTuple):
    """One tracker: its name, and what cannot be done without it, as the beginning of a sentence."""

    name: str
    lost: str
    tracker: Tracker


class Analysis:
    """Everything computed of one session, from its beginning. Feed batches in order."""

    def __init__(self, dictionary: Dictionary, facts: SheetNumbers = NOTHING_TOLD) -> None:
        self._dictionary = dictionary
        self._aside: set[str] = set()
        roles = RoleColumns(dictionary.roles)
        self._downlink = DownlinkTracker()
        self._lag = LagTracker(dictionary)
        self._kinds = PacketKindsTracker(dictionary)
        self._height = HeightTracker(roles, facts)
        self.parts = (
            Part("downlink", "the downlink can no longer be counted", self._downlink),
            Part("lag", "the downlink's lag can no longer be followed", self._lag),
            Part("height", "height and phase can no longer be followed", self._height),
            Part("motion", "tilt and speed can no longer be followed", MotionTracker(roles, self._height.flying)),
            Part("rules", "the flight rules can no longer be watched", FlightRulesTracker(dictionary, self._estimates)),
            Part("state", "the state vector can no longer be watched", StateVectorTracker(roles, self._estimates)),
            Part("progress", "leaning and sinking can no longer be called", ProgressTracker(facts)),
            Part("phase", "the vehicle's phase can no longer be compared", PhaseAgreementTracker(roles)),
            Part("units", "the inertial units can no longer be compared", InertialUnitsTracker(roles, self._height.flying)),
            Part("dictionary", "the dictionary can no longer be checked", DictionaryHashTracker(roles, dictionary.hash32)),
            Part("flags", "the vehicle's flags and events can no longer be told", FlagTracker(roles)),
            Part("guard", "the firmware's own guard can no longer be watched", GuardTracker(roles)),
            Part("gnss", "the place by GNSS can no longer be followed", GnssTracker(roles, facts, self._height.flying)),
            Part("limits", "limits can no longer be watched", LimitTracker(dictionary)),
            Part("power", "the battery can no longer be watched", PowerTracker(roles, facts)),
            Part("continuity", "continuity can no longer be watched", ContinuityTracker(roles)),
            Part("kinds", "packets can no longer be counted by kind", self._kinds),
            Part("saturation", "saturation can no longer be watched", SaturationTracker(dictionary)),
            Part("cable", "the servo cable can no longer be watched", ServoCableTracker(roles)),
        )
        self.link = self._downlink.link
        self.phases = self._height.phases

    def take(self, batch: Batch, strict: bool = False) -> TrackerOutput:
        """Compute everything new that `batch` allows; `strict` lets a tracker's exception through and leaves a ruin."""
        out = TrackerOutput()
        if not len(batch.frame_rx_s):
            return out
        for part in self.parts:
            if part.name in self._aside:
                continue
            mark = out.mark()
            try:
                part.tracker.take(batch, out)
            except Exception as error:
                if strict:
                    raise
                out.go_back(mark)
                self._aside.add(part.name)
                last = batch.first_order + len(batch.frame_rx_s) - 1
                at = Instant(last, float(batch.frame_rx_s[-1]), float(batch.frame_t[-1]))
                out.note_fault(at, f"tracker {part.name}", part.lost, error)
        return out.close(self._frames())

    def loss_at(self, second: int) -> float | None:
        """Return the share of packets lost lately (`LinkQuality.loss_at`), or None when nobody counts any more."""
        return None if "downlink" in self._aside else self.link.loss_at(second)

    @property
    def lag_s(self) -> float | None:
        """The lag (s) of what was heard last: 0 before anything was, None when nobody follows it any more."""
        return None if "lag" in self._aside else self._lag.now_s or 0.0

    def lag_of(self, t: float, rx_s: float) -> float | None:
        """Return the lag (s) of a row of any table, or None when nobody follows it any more."""
        return None if "lag" in self._aside else self._lag.lag_s(t, rx_s)

    def copy(self) -> Analysis:
        """Return another one in the same state; what never changes is shared."""
        return deepcopy(self, unchanging(self._dictionary))

    def _frames(self) -> Rows | None:
        return None if "kinds" in self._aside else self._kinds.frames

    def _estimates(self, packet: str) -> tuple[Bools, GroundEstimate] | None:
        return None if "height" in self._aside else self._height.estimates(packet)


def unchanging(dictionary: Dictionary) -> dict[int, object]:
    """Return what a deep copy of something that holds a dictionary shares with it, by id."""
    packets = dictionary.packets.values()
    fixed: list[object] = [dictionary, *packets, *(channel for packet in packets for channel in packet.channels)]
    return {id(part): part for part in fixed}


class Stretch(Protocol):
    """Something of a stretch of a session that can be cut by frames: a batch, or what judging reads."""

    def part(self, start: int, stop: int) -> Self:
        """Return the frames `start` to `stop`, by order, the last not included."""


class Stage(Protocol):
    """What takes stretches of a session in order and keeps all state between them: the trackers, or judging."""

    def copy(self) -> Self:
        """Return another one in the same state."""


AnyStage = TypeVar("AnyStage", bound=Stage)
Given = TypeVar("Given", bound=Stretch)


def take_in_pieces(
    stage: AnyStage, given: Given, edges: Ints, take: Callable[[AnyStage, Given, bool], TrackerOutput]
) -> tuple[AnyStage, TrackerOutput]:
    """Take a whole recording as it came live, in pieces of frames `edges[i]` to `edges[i + 1]`, in few steps.

    `take` is the stage's method; when its last argument, strict, is true it lets exceptions through and leaves a ruin.
    Returns the stage after it, which is another one than was given if something in it raised, and what it led to.
    """
    start, stop = int(edges[0]), int(edges[-1])
    if len(edges) <= 2:  # one piece, as it came
        return stage, take(stage, given.part(start, stop), False)
    before = stage.copy()
    try:
        return stage, take(stage, given.part(start, stop), True)
    except Exception:
        pass  # found in one of the halves, and told there
    middle = len(edges) // 2
    between, first = take_in_pieces(before, given, edges[: middle + 1], take)
    after, second = take_in_pieces(between, given, edges[middle:], take)
    return after, first.followed_by(second)
