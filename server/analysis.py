"""The station's own understanding of a stretch of packets: computed tables and journal entries.

One code path for live and recorded data: `Analysis.take` is given batches of any size and its followers keep all state
between them, so that a recording handed over whole gives the same rows and entries as the same packets one by one.
"""

from __future__ import annotations

from protocol.dictionary import Dictionary
from server.batch import Batch
from server.facts import NOTHING_TOLD, Facts
from server.followers.agreement import AgreementFollower
from server.followers.continuity import ContinuityFollower
from server.followers.dictionary_hash import DictionaryHashFollower
from server.followers.downlink import DownlinkFollower
from server.followers.flags import FlagFollower
from server.followers.found import Found, RoleColumns
from server.followers.height import HeightFollower
from server.followers.judge import JudgeFollower
from server.followers.kinds import KindsFollower
from server.followers.limits import LimitFollower
from server.followers.motion import MotionFollower
from server.followers.power import PowerFollower
from server.followers.saturation import SaturationFollower
from server.followers.servo_cable import ServoCableFollower
from server.followers.state_vector import StateVectorFollower
from server.followers.units import UnitsFollower
from server.judgements.plan import COLUMNS, JUDGEMENTS, SOURCES


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
