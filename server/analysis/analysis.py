"""The station's own understanding of a stretch of packets: computed tables and journal entries.

One code path for live and recorded data: `Analysis.take` is given batches of any size and its trackers keep all state
between them, so that a recording handed over whole gives the same rows and entries as the same packets one by one.
"""

from __future__ import annotations

from protocol.dictionary import Dictionary
from server.analysis.judgements.schedule import COLUMNS, JUDGEMENTS, SOURCES
from server.analysis.trackers.continuity import ContinuityTracker
from server.analysis.trackers.dictionary_hash import DictionaryHashTracker
from server.analysis.trackers.downlink import DownlinkTracker
from server.analysis.trackers.flags import FlagTracker
from server.analysis.trackers.flight_rules import FlightRulesTracker
from server.analysis.trackers.height import HeightTracker
from server.analysis.trackers.inertial_units import InertialUnitsTracker
from server.analysis.trackers.judging import JudgingTracker
from server.analysis.trackers.limits import LimitTracker
from server.analysis.trackers.motion import MotionTracker
from server.analysis.trackers.output import TrackerOutput
from server.analysis.trackers.packet_kinds import PacketKindsTracker
from server.analysis.trackers.phase_agreement import PhaseAgreementTracker
from server.analysis.trackers.power import PowerTracker
from server.analysis.trackers.role_columns import RoleColumns
from server.analysis.trackers.saturation import SaturationTracker
from server.analysis.trackers.servo_cable import ServoCableTracker
from server.analysis.trackers.state_vector import StateVectorTracker
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.telemetry.batch import Batch


class Analysis:
    """Everything computed of one session, from its beginning. Feed batches in order."""

    def __init__(self, dictionary: Dictionary, facts: SheetNumbers = NOTHING_TOLD) -> None:
        roles = RoleColumns(dictionary.roles)
        self._downlink = DownlinkTracker()
        self._kinds = PacketKindsTracker(dictionary)
        self._height = HeightTracker(roles, facts)
        self.judging = JudgingTracker(roles, facts, SOURCES, COLUMNS, JUDGEMENTS, self._kinds)
        self._trackers = (
            self._downlink,
            self._height,
            MotionTracker(roles, self._height.flying),
            FlightRulesTracker(dictionary, self._height.estimates),
            StateVectorTracker(roles, self._height.estimates),
            PhaseAgreementTracker(roles),
            InertialUnitsTracker(roles, self._height.flying),
            DictionaryHashTracker(roles, dictionary.hash32),
            FlagTracker(roles),
            LimitTracker(dictionary),
            PowerTracker(roles, facts),
            ContinuityTracker(roles),
            self._kinds,
            SaturationTracker(dictionary),
            ServoCableTracker(roles),
            # Last: it goes by the moments the others have told.
            self.judging,
        )
        self.link = self._downlink.link
        self.phases = self._height.phases

    def take(self, batch: Batch) -> TrackerOutput:
        """Compute everything new that `batch` allows."""
        out = TrackerOutput()
        for tracker in self._trackers:
            tracker.take(batch, out)
        out.entries.sort(key=lambda item: item[0])
        return out
