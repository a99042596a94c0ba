"""The station's own understanding of a stretch of packets: computed tables and journal entries.

One code path for live and recorded data: `Analysis.take` is given batches of any size and its followers keep all state
between them, so that a recording handed over whole gives the same rows and entries as the same packets one by one.
"""

from __future__ import annotations

from protocol.dictionary import Dictionary
from server.analysis.followers.agreement import AgreementFollower
from server.analysis.followers.continuity import ContinuityFollower
from server.analysis.followers.dictionary_hash import DictionaryHashFollower
from server.analysis.followers.downlink import DownlinkFollower
from server.analysis.followers.flags import FlagFollower
from server.analysis.followers.found import Found, RoleColumns
from server.analysis.followers.height import HeightFollower
from server.analysis.followers.judge import JudgeFollower
from server.analysis.followers.kinds import KindsFollower
from server.analysis.followers.limits import LimitFollower
from server.analysis.followers.motion import MotionFollower
from server.analysis.followers.power import PowerFollower
from server.analysis.followers.saturation import SaturationFollower
from server.analysis.followers.servo_cable import ServoCableFollower
from server.analysis.followers.state_vector import StateVectorFollower
from server.analysis.followers.units import UnitsFollower
from server.analysis.judgements.plan import COLUMNS, JUDGEMENTS, SOURCES
from server.design.facts import NOTHING_TOLD, Facts
from server.telemetry.batch import Batch


class Analysis:
    """Everything computed of one session, from its beginning. Feed batches in order."""

    def __init__(self, dictionary: Dictionary, facts: Facts = NOTHING_TOLD) -> None:
        roles = RoleColumns(dictionary.roles)
        self._downlink = DownlinkFollower()
        self._kinds = KindsFollower(dictionary)
        self._height = HeightFollower(roles, facts)
        self.judge = JudgeFollower(roles, facts, SOURCES, COLUMNS, JUDGEMENTS, self._kinds)
        self._followers = (
            self._downlink,
            self._height,
            MotionFollower(roles, self._height.flying),
            StateVectorFollower(roles, self._height.estimates),
            AgreementFollower(roles),
            UnitsFollower(roles, self._height.flying),
            DictionaryHashFollower(roles, dictionary.hash32),
            FlagFollower(roles),
            LimitFollower(dictionary),
            PowerFollower(roles, facts),
            ContinuityFollower(roles),
            self._kinds,
            SaturationFollower(dictionary),
            ServoCableFollower(roles),
            # Last: it goes by the moments the others have told.
            self.judge,
        )
        self.link = self._downlink.link
        self.phases = self._height.phases

    def take(self, batch: Batch) -> Found:
        """Compute everything new that `batch` allows."""
        out = Found()
        for follower in self._followers:
            follower.take(batch, out)
        out.entries.sort(key=lambda item: item[0])
        return out
