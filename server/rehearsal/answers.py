"""What the flight computer says in answer to each step: the packets its dictionary names, then `rehearsal`.

The quick half of reading: one small piece of bytes at a time, thousands a second. Everything else that arrives between them
(events, who is speaking) is kept for whoever asks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from protocol.checksum import crc_holds
from protocol.dictionary import Dictionary
from protocol.fields import Value
from protocol.framing import DELIMITER, decode_frame
from protocol.packets import HEADER_SIZE, TIME
from protocol.rehearsal import REHEARSAL_NAME, firing_channels

BEFORE_FIELDS = HEADER_SIZE + TIME.size
APID_MASK = 0x7FF
ENDED, NUMBER, STATE = "ended", "number", "state"


@dataclass(frozen=True, slots=True)
class Answer:
    """One step's answer: the values of each packet as the dictionary lists its channels, None where one did not come."""

    number: int
    packets: tuple[tuple[Value, ...] | None, ...]
    state: tuple[Value, ...]


class AnswerReader:
    """Takes bytes, gives answers. `places` tells where each role stands: (packet in `Answer.packets`, channel in it)."""

    def __init__(self, dictionary: Dictionary) -> None:
        assert dictionary.rehearsal is not None
        self.names = (*dictionary.rehearsal.answers,)
        described = [dictionary.packets[name] for name in self.names]
        state = dictionary.packets[REHEARSAL_NAME]
        self.places: Mapping[str, tuple[int, int]] = {
            channel.role: (index, place)
            for index, packet in enumerate(described)
            for place, channel in enumerate(packet.channels)
            if channel.role
        }
        self.channels = tuple(packet.channels for packet in described)
        self.state_places = {channel.name: place for place, channel in enumerate(state.channels)}
        self.laterals = len(firing_channels(dictionary.roles)[0])  # the lowest bits of `ordered`; recovery follows
        self._number = self.state_places[NUMBER]
        self._unpack: dict[int, tuple[int, Callable[[bytes, int], tuple[Value, ...]]]] = {
            packet.apid: (index, packet.unpack) for index, packet in enumerate(described)
        }
        self._state_apid, self._state_unpack = state.apid, state.unpack
        self._rest = b""
        self._gathered: list[tuple[Value, ...] | None] = [None] * len(self.names)
        self.damaged = 0
        self.vehicle_ms = 0  # its clock, when it last told of the rehearsal
        self.others: list[bytes] = []  # frames, unstuffed, of anything else

    def take(self, data: bytes) -> list[Answer]:
        """Return the answers that are now whole, in order; the state packet ends each."""
        *pieces, self._rest = (self._rest + data).split(DELIMITER)
        answers: list[Answer] = []
        for piece in pieces:
            if not piece:
                continue
            content = decode_frame(piece)
            if content is None or len(content) < BEFORE_FIELDS or not crc_holds(content):
                self.damaged += 1
                continue
            apid = (content[0] << 8 | content[1]) & APID_MASK
            if apid == self._state_apid:
                state = self._state_unpack(content, BEFORE_FIELDS)
                self.vehicle_ms = TIME.unpack_from(content, HEADER_SIZE)[0]
                answers.append(Answer(int(state[self._number]), tuple(self._gathered), state))
                self._gathered = [None] * len(self.names)
            elif apid in self._unpack:
                index, unpack = self._unpack[apid]
                self._gathered[index] = unpack(content, BEFORE_FIELDS)
            else:
                self.others.append(content)
        return answers

    def value(self, answer: Answer, role: str) -> Value | None:
        """Return the value of a role in an answer, None where it is not in it."""
        place = self.places.get(role)
        packet = answer.packets[place[0]] if place is not None else None
        return None if place is None or packet is None else packet[place[1]]
