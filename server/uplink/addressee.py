"""To whom commands go, and why not: what is known of the vehicle's identity, start, dictionary and clock.

Pure; time is an argument. Only what is signed with the command key is believed: the vehicle's clock decides how long a
command may be obeyed, and whoever could forge it could hold one back. On wire version 1 and on formats of a vehicle's own
nothing is signed: there one rule holds for both (`why_not`), never wider than that of version 2.
"""

from __future__ import annotations

from dataclasses import dataclass

from protocol.commands import Hazard
from protocol.dictionary import Dictionary
from protocol.identity import BUILDS, Identity
from protocol.packets import TIME_MODULUS_MS
from protocol.sequence import signed_step_ms

# Our choice. The vehicle says who it is every second; five lost in a row are one in 100 000 at a loss of a tenth. Then it
# may be another start, another vehicle, or none.
IDENTITY_FRESH_S = 5.0
# Our choice: the longest wait for a second send and its answer (1.6 s and a round trip of 2 s, beyond which hazardous acts
# are refused) and a margin. What is held back for longer is refused by the vehicle.
VALID_S = 5.0
UNBOUND = "commands to this vehicle are bound to no vehicle, dictionary or time; allow routine ones for this session first"
# Both clocks are quartz: some 100 ppm apart at worst (common practice, no source).
DRIFT = 100e-6
REHEARSAL_BUILD = BUILDS.index("rehearsal")
WRONG_KEY = "what is heard does not hold this station's command key; put the one 'blockhouse key' names into the vehicle"
NOT_HEARD = "the vehicle has not yet said who it is and from which dictionary it was built; wait, it does so every second"
OTHER_START = (
    "what is heard calls itself another start of the vehicle than the one that was signed for; wait for its signature"
)


@dataclass(frozen=True, slots=True)
class Heard:
    """A signed identity packet: what it said, the vehicle time in ms and the session second it arrived."""

    said: Identity
    vehicle_ms: int
    rx_s: float


def _clock_of(said: Identity) -> tuple[int, int]:
    """Return whose clock it is: that of one start of one vehicle. Start ids that are only counted are no vehicle's own."""
    return said.vehicle_id, said.boot_id


class Addressee:
    """Whom the station commands. One instance per live session."""

    def __init__(self, dictionary: Dictionary, key: bytes, vehicle_id: int | None = None) -> None:
        """`vehicle_id` is the dictionary's where it is not given."""
        self._dictionary = dictionary
        self._key = key
        self.vehicle_id = dictionary.uplink.vehicle_id if vehicle_id is None else vehicle_id
        self.allows_unbound = False  # the operator's word for this session, for vehicles whose commands are not bound
        self._newest: Heard | None = None
        self._ahead_ms = 0.0  # vehicle clock over session clock, as of the packet that was least delayed
        self._ahead_at_s = 0.0
        self._unsigned_rx_s: float | None = None
        self._told_hash: int | None = None  # of a vehicle of wire version 1
        self._strangers_since_s: float | None = None  # since when only what obeys nothing of ours was heard
        self._why_deaf: str | None = None

    @property
    def heard(self) -> Heard | None:
        """The newest signed identity, None while none was heard."""
        return self._newest

    @property
    def is_rehearsal_build(self) -> bool:
        """Whether the vehicle said, signed, that it was built for rehearsal."""
        return self._newest is not None and self._newest.said.build == REHEARSAL_BUILD

    @property
    def asks_leave(self) -> str:
        """Return why no command is addressed until a person has allowed it for this session, "" where that is not so."""
        return "" if self._dictionary.is_bound or self.allows_unbound else UNBOUND

    @property
    def why_deaf(self) -> str | None:
        """Return why what is heard obeys nothing of this station's, Safe all neither, or None while that is not known.

        It stands until the station's own vehicle is heard.
        """
        return self._why_deaf

    @property
    def why_misread(self) -> str | None:
        """Return that what is heard was built from another dictionary, so that its telemetry proves nothing, or None."""
        told = self._told_hash if self._newest is None else self._newest.said.dictionary_hash
        return None if told in (None, self._dictionary.hash32) else self._other_dictionary(told or 0)

    # ------------------------------------------------------------ what is heard

    def on_identity(self, said: Identity, vehicle_ms: int, rx_s: float) -> None:
        """Take an identity packet; one that is not signed with our key is only remembered as such."""
        if not said.signed_by(self._key, vehicle_ms):
            self._unsigned_rx_s = rx_s
            self._hear_stranger(WRONG_KEY, rx_s)
            return
        if said.vehicle_id != self.vehicle_id:
            self._hear_stranger(self._other_vehicle(said.vehicle_id), rx_s)
        else:
            self._strangers_since_s, self._why_deaf = rx_s, None
        known, self._newest = self._newest, Heard(said, vehicle_ms, rx_s)
        foretold_ms = round(rx_s * 1000.0 + self._ahead_now_ms(rx_s))
        of_one_clock = known is not None and _clock_of(known.said) == _clock_of(said)
        if not of_one_clock or signed_step_ms(foretold_ms, vehicle_ms) >= 0:
            self._ahead_ms, self._ahead_at_s = vehicle_ms - rx_s * 1000.0, rx_s

    def _hear_stranger(self, why: str, rx_s: float) -> None:
        if self._strangers_since_s is None:
            self._strangers_since_s = rx_s
        if rx_s - self._strangers_since_s > IDENTITY_FRESH_S:  # until then the own vehicle may only have been missed
            self._why_deaf = why

    def on_hash(self, told: int | None) -> None:
        """Take the dictionary hash a vehicle of wire version 1 tells at its start; a restart tells nothing yet: None."""
        self._told_hash = told

    # ------------------------------------------------------------ what follows

    def why_not(self, hazard: Hazard, now_s: float, boot_id: int | None = None) -> str | None:
        """Return why a command of this hazard cannot be addressed to anybody now, or None. Safe all never asks.

        `boot_id` is the start it would be addressed to: the downlink tells it, and only the signature makes it true.
        """
        if self._dictionary.is_bound:
            return self._why_not_bound(now_s, boot_id)
        return self._why_not_unbound(hazard)

    def valid_until_ms(self, now_s: float) -> int | None:
        """Return the vehicle time (ms, modulo 2^32) until which a command sent now may be obeyed, None if unknown."""
        if self._newest is None:
            return None
        return round(now_s * 1000.0 + self._ahead_now_ms(now_s) + VALID_S * 1000.0) % TIME_MODULUS_MS

    def _ahead_now_ms(self, now_s: float) -> float:
        """The least delayed packet's difference, given back at the rate the clocks may drift apart."""
        return self._ahead_ms - DRIFT * (now_s - self._ahead_at_s) * 1000.0

    def _why_not_bound(self, now_s: float, boot_id: int | None) -> str | None:
        heard = self._newest
        if heard is None:
            if self._unsigned_rx_s is not None:
                return WRONG_KEY
            return NOT_HEARD
        said = heard.said
        if now_s - heard.rx_s > IDENTITY_FRESH_S:
            return f"the vehicle last said who it is {now_s - heard.rx_s:.0f} s ago; wait until it is heard again"
        if said.vehicle_id != self.vehicle_id:
            return self._other_vehicle(said.vehicle_id)
        if self.why_misread is not None:
            return self.why_misread
        if said.boot_id == 0:
            return "the vehicle has no start id, so it obeys nothing but Safe all; give its firmware a count of starts"
        if boot_id not in (None, said.boot_id):
            return OTHER_START
        return None

    def _why_not_unbound(self, hazard: Hazard) -> str | None:
        if self.why_misread is not None:
            return self.why_misread
        if not self.allows_unbound:
            return UNBOUND
        if hazard == "routine":
            return None
        if not self._dictionary.may_command_hazards:
            return "commands to this vehicle are bound to nothing, and its dictionary's owner has not accepted that risk"
        if self._dictionary.framing is None and self._told_hash is None:
            return "the vehicle's dictionary is not known: it tells it at its start only; switch it off and on"
        return None

    def _other_vehicle(self, told: int) -> str:
        sentence = f"vehicle {told} is heard, this station commands vehicle {self.vehicle_id}"
        return f"{sentence}; switch the other one off, or start with its dictionary"

    def _other_dictionary(self, told: int) -> str:
        hashes = f"hash {told:08x}, ours is {self._dictionary.hash32:08x}"
        sentence = f"the vehicle was built from another dictionary ({hashes})"
        return f"{sentence}; start the station with that one, or build the firmware from this one"
