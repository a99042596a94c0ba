"""Checks of the command invariants over what a `World` logged. They share no code with the queue or the wire.

The invariants stand in INVARIANTS.md beside the queue, by the numbers used here.

`Oracle.look()` judges all that is new since the last look; a broken invariant is an AssertionError that names it.
The frame decoder here is written from WIRE.md alone: unstuffing, CRC, HMAC and fields by hand.
"""

from __future__ import annotations

import hashlib
import hmac
import struct
from dataclasses import dataclass, field

from tests.server.uplink.queue_world import KEY, Act, Disarmed, Said, Sent, World

TAG = 16
FRESH_S = 2.0
KNOWN_FOR_S = 5.0  # how long a vehicle that has said who it is counts as the one that is heard
OBEYED_FOR_S = 5.0  # how long after it was made a command may be obeyed
SAFES = "safe_all"  # the one command that is obeyed again, by any start, whatever its dictionary and the time


@dataclass(frozen=True)
class Decoded:
    """One uplink frame as an outsider reads it; `boot_id` and `valid_until` are None for safe all."""

    boot_id: int | None
    valid_until: int | None
    counter: int
    command: str
    args: tuple[tuple[str, float], ...]


def unstuff(data: bytes) -> bytes:
    """Undo the byte stuffing, plainly."""
    out, place = b"", 0
    while place < len(data):
        code = data[place]
        out += data[place + 1 : place + code]
        place += code
        if place < len(data) and code < 255:
            out += b"\0"
    return out


def crc16(data: bytes) -> int:
    """Return CRC-16 with polynomial 0x1021 and start 0xFFFF, bit by bit."""
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


def signed_by_ours(said: Said) -> bool:
    """Tell whether an identity packet was signed with the station's key, from WIRE.md alone."""
    v = said.values
    content = struct.pack(">IBBIIIIII", said.vehicle_ms, *(v[name] for name in list(v)[:-2]))
    tag = hmac.new(KEY, b"BH2 identity" + content, hashlib.sha256).digest()[:8]
    return tag == struct.pack(">II", v["tag_high"], v["tag_low"])


def decode(world: World, frame: bytes) -> Decoded:
    """Take a frame apart; AssertionError for anything that is not exactly right (I16)."""
    assert frame[0] == frame[-1] == 0 and 0 not in frame[1:-1]
    content = unstuff(frame[1:-1])
    packet, crc = content[:-2], int.from_bytes(content[-2:], "big")
    assert crc == crc16(packet), "I16: wrong CRC"
    signed = packet[:-TAG]
    apid = int.from_bytes(packet[:2], "big") & 0x7FF
    label = {2045: b"BH2 command", 2046: b"BH2 safe all"}[apid]
    vehicle = world.dictionary.uplink.vehicle_id.to_bytes(4, "big")
    assert hmac.new(KEY, label + vehicle + signed, hashlib.sha256).digest()[:TAG] == packet[-TAG:], "I16: wrong tag"
    assert packet[0] >> 3 == 0b00010 and int.from_bytes(packet[4:6], "big") + 1 == len(packet) - 6
    if apid == 2046:
        (counter,) = struct.unpack(">I", signed[6:])
        decoded = Decoded(None, None, counter, "safe_all", ())
    else:
        boot_id, told, counter, valid_until, code = struct.unpack(">QIIIB", signed[6:27])
        assert told == world.dictionary.hash32, "I16: not signed for this dictionary"
        name = next(c.name for c in world.dictionary.commands.values() if c.code == code)
        decoded = Decoded(boot_id, valid_until, counter, name, _args(world, name, signed[27:]))
    assert int.from_bytes(packet[2:4], "big") == 0xC000 | decoded.counter % 16384
    return decoded


def _args(world: World, name: str, data: bytes) -> tuple[tuple[str, float], ...]:
    out, place = [], 0
    for arg in world.dictionary.commands[name].args:
        size = int(arg.type[1:]) // 8
        raw = int.from_bytes(data[place : place + size], "big", signed=arg.type[0] == "i")
        out.append((arg.name, raw * arg.scale if arg.scale != 1.0 else raw))
        place += size
    assert place == len(data), "I16: argument bytes left over"
    return tuple(out)


@dataclass
class Oracle:
    """Looks at a world after every step."""

    world: World
    frames: dict[int, tuple[bytes, Decoded, float, int, int]] = field(default_factory=dict)  # by counter
    used: set[int] = field(default_factory=set)  # places of acts that have been spent
    planned: list[tuple] = field(default_factory=list)  # what left under plans
    hazardous: int = 0
    guarded: int = 0
    sent: int = 0
    safe: int = 0
    _place: int = 0
    _change: int = 0
    _judged: int = 0  # how many of the executions
    _executed: set[tuple[int, int]] = field(default_factory=set)

    def look(self) -> None:
        """Judge what is new."""
        log = self.world.log
        while self._place < len(log):
            item = log[self._place]
            if isinstance(item, Sent):
                self._judge_frame(item, self._place)
            elif isinstance(item, Act) and item.kind == "safe_all":
                self._judge_safe_all(item)
            self._place += 1
        self._judge_executions()
        while self._change < len(self.world.changes):
            self._judge_view(*self.world.changes[self._change])
            self._change += 1
        self._judge_flight()

    # ------------------------------------------------------------ frames

    def _judge_frame(self, sent: Sent, place: int) -> None:
        world, decoded = self.world, decode(self.world, sent.frame)
        self.sent += 1
        described = world.dictionary.commands[decoded.command]
        self._judge_interlocks(described, dict(decoded.args), sent)
        if not described.safes_all:
            self._judge_addressee(decoded, sent)
        if decoded.counter in self.frames:
            self._judge_repeat(sent, decoded, described, place)
            return
        assert decoded.counter <= sent.covered, "I6: counter used before the disk covered it"
        assert decoded.counter > max(self.frames, default=0), "I6: counter does not grow"
        self.frames[decoded.counter] = (sent.frame, decoded, sent.at_s, 1, place)
        if described.safes_all:
            self.safe += 1
            return
        kept = [i for i in world.disk.intents[: sent.intents] if i["counter"] == decoded.counter]
        assert [i["frame"] for i in kept] == [sent.frame], "I17: the intent was not on the disk before the first byte"
        assert kept[0]["command"] == decoded.command and kept[0]["operator"]
        same = [i for i in world.disk.intents if (i["generation"], i["id"]) == (sent.generation, sent.id)]
        assert len(same) == 1, "I11: one command was issued under two counters"
        if kept[0]["permit"]:
            self._explain_planned(kept[0]["permit"], decoded, sent, place)
        else:
            self._explain(described, decoded, sent, place)

    def _judge_addressee(self, decoded: Decoded, sent: Sent) -> None:
        """I19: what leaves, also when it is repeated, is for the vehicle, start and dictionary that are signed for."""
        ours = next((said for said in reversed(sent.said) if signed_by_ours(said)), None)
        assert ours is not None, f"I19: {decoded.command} left before the vehicle had said who it is"
        assert sent.at_s - ours.at_s <= KNOWN_FOR_S + 1e-6, f"I19: {decoded.command} left to a vehicle of long ago"
        assert ours.values["vehicle"] == self.world.dictionary.uplink.vehicle_id, "I19: left while another vehicle is heard"
        assert ours.values["dictionary_hash"] == self.world.dictionary.hash32, "I19: left to another dictionary"
        boot_id = ours.values["boot_high"] << 32 | ours.values["boot_low"]
        assert boot_id == decoded.boot_id != 0, "I19: left for another start than the one that is heard"

    def _judge_repeat(self, sent: Sent, decoded: Decoded, described, place: int) -> None:
        frame, first, first_s, times, first_place = self.frames[decoded.counter]
        assert frame == sent.frame, "I6/I7: one counter, two frames"
        self.frames[decoded.counter] = (frame, first, first_s, times + 1, first_place)
        if described.safes_all:
            return
        assert times + 1 <= 3, "I7: more than three sends"
        assert sent.at_s - first_s <= 3.0 + 1e-6, "I7: sent again after its time-to-live"
        between = self.world.log[first_place:place]
        assert not any(isinstance(i, Disarmed) for i in between), "I7/I4: sent again after something that disarms"

    def _explain(self, described, decoded: Decoded, sent: Sent, place: int) -> None:
        """Find the acts that asked for this frame and spend them; none = the frame must not have left."""
        log = self.world.log
        after = max((i for i in range(place) if isinstance(log[i], Disarmed)), default=-1)
        acts = [(i, log[i]) for i in range(after + 1, place) if isinstance(log[i], Act) and i not in self.used]
        acts = [(i, a) for i, a in acts if a.command == decoded.command and self._same(a.args, decoded.args)]
        acts = [(i, a) for i, a in acts if a.operator == a.holder]
        if described.hazard == "routine":
            found = next((((i,)) for i, a in acts if a.kind == "send"), None)
            assert found is not None, f"I14/I4: {decoded.command} left and nobody with authority asked for it"
            self.used.update(found)
            return
        self.hazardous += described.hazard == "hazardous"
        self.guarded += described.hazard == "guarded"
        pairs = [
            (i, j)
            for i, one in acts
            for j, two in acts
            if one.kind == "arm"
            and one.ok
            and two.kind == "confirm"
            and i < j
            and one.operator == two.operator
            and 0.3 - 1e-6 <= two.at_s - one.at_s <= 10.0 + 1e-6
        ]
        assert pairs, f"I1/I2/I4: {described.hazard} {decoded.command} left without its own two acts"
        self.used.update(pairs[-1])
        confirmed_s = log[pairs[-1][1]].at_s
        assert sent.at_s - confirmed_s <= 3.1, "I13: a command with two acts waited behind others"

    def _explain_planned(self, permit: str, decoded: Decoded, sent: Sent, place: int) -> None:
        """A frame of a plan: two acts for that plan with no disarming event since, and its own place in the plan."""
        log = self.world.log
        after = max((i for i in range(place) if isinstance(log[i], Disarmed)), default=-1)
        acts = [log[i] for i in range(after + 1, place) if isinstance(log[i], Act) and log[i].ok and log[i].id == permit]
        arms = [a for a in acts if a.kind == "arm plan" and a.operator == a.holder]
        confirms = [a for a in acts if a.kind == "confirm plan" and a.operator == a.holder]
        assert arms and confirms, f"I1/I4: {decoded.command} left under a plan without its two acts"
        assert arms[0].operator == confirms[0].operator, "I1: the two acts for a plan came from two people"
        assert 0.3 - 1e-6 <= confirms[0].at_s - arms[0].at_s <= 10.0 + 1e-6, "I1: the window of a plan"
        planned = sum(name == decoded.command and dict(args) == dict(decoded.args) for _, (name, args) in arms[0].args)
        self.planned.append((sent.generation, permit, decoded.command, decoded.args))
        assert self.planned.count(self.planned[-1]) <= planned, "I2: more was sent than the plan holds"
        phase = sent.readings.get("vehicle_phase")
        assert phase is not None and phase.value == 1.0, "I15: a plan goes on outside ground test"
        assert sent.at_s - phase.rx_s <= FRESH_S + 1e-6, "I15: a plan goes on by old telemetry"

    @staticmethod
    def _same(one: tuple[tuple[str, object], ...], two: tuple[tuple[str, float], ...]) -> bool:
        def plain(value: object) -> bool:
            return isinstance(value, int | float) and not isinstance(value, bool)

        left, right = dict(one), dict(two)
        return left.keys() == right.keys() and all(plain(left[k]) and abs(left[k] - right[k]) < 1e-4 for k in left)

    def _judge_interlocks(self, described, args: dict[str, float], sent: Sent) -> None:
        """I15: a hazardous frame leaves, also when it is repeated, only while all its conditions hold."""

        def seen(role: str) -> float | None:
            reading = sent.readings.get(role)
            return None if reading is None or sent.at_s - reading.rx_s > FRESH_S + 1e-6 else reading.value

        if described.hazard != "hazardous":
            return
        assert sent.link_age_s <= FRESH_S + 1e-6, "I15: sent on a stale downlink"
        channel = int(args.get("channel", 0))
        wanted = {
            "board_release": {"vehicle_phase": (1, 2)},
            "recovery_arm": {"vehicle_phase": (1,), f"recovery[{channel}].continuity": (1,)},
            "channel_arm": {"vehicle_phase": (1, 2), "board.inhibited": (0,), f"channel[{channel}].continuity": (1,)},
            "channel_fire": {
                "vehicle_phase": (1,),
                "board.inhibited": (0,),
                f"channel[{channel}].continuity": (1,),
                f"channel[{channel}].armed": (1,),
            },
        }[described.name]
        for role, values in wanted.items():
            assert seen(role) in values, f"I15: {described.name} left while {role} was {seen(role)}"
        if described.name.startswith("channel"):
            assert seen("ground.tilt") <= 0.5236, "I15: left while tilted"
        assert seen("ground.link_loss") <= 0.10, "I15: left on a poor link"

    # ------------------------------------------------------------ outcomes

    def _judge_executions(self) -> None:
        wanted = self.world.dictionary.uplink.vehicle_id
        for executed in self.world.vehicle.executed[self._judged :]:
            self._judged += 1
            assert executed.counter in self.frames, "I8: executed something the station never sent"
            _, asked, sent_s, _, _ = self.frames[executed.counter]
            assert asked.command == executed.command, "I16: executed something else"
            assert self._same(asked.args, executed.args), "I16: executed with other arguments"
            assert executed.vehicle_id == wanted, "I8: executed by another vehicle"
            name = (executed.boot_id, executed.counter)
            if executed.command != SAFES:
                assert name not in self._executed, "I8: executed twice"
                assert executed.boot_id == asked.boot_id, "I8: executed by another start of the vehicle"
                assert executed.hash == self.world.dictionary.hash32, "I16: executed by another dictionary"
                assert executed.at_s - sent_s <= OBEYED_FOR_S + 0.01, "I20: executed after its time"
            self._executed.add(name)

    def finish(self) -> None:
        """Judge what every command has come to, with all that is known at the end."""
        self.look()
        for (generation, _), view in self.world.views.items():
            self._judge_view(generation, view, len(self.world.log))

    def _judge_view(self, generation: int, view: dict[str, object], place: int) -> None:
        state, where = view["state"], (generation, view["id"])
        intents = [i for i in self.world.disk.intents if (i["generation"], i["id"]) == where]
        names = {(i["boot_id"], i["counter"]) for i in intents}
        if view["command"] == SAFES:  # whichever start: its answers name the command by its counter only
            names = {name for name in self._executed if name[1] in {i["counter"] for i in intents}}
        sent = [self.frames[i["counter"]] for i in intents if i["counter"] in self.frames]
        left = [known for known in sent if known[4] < place]
        if state in ("completed", "verified") and (intents or view["command"] != "safe_all"):
            assert names & self._executed, f"I10: {view['command']} is shown as {state} and was never executed"
        if state in ("cancelled", "expired", "abandoned", "armed", "queued"):
            assert not left and view["sends"] == 0, f"I11: {view['command']} has left and is shown as {state}"
        if state == "refused":
            assert not names & self._executed, f"I10: {view['command']} was executed and is shown as refused"
        if state == "unknown":
            assert "unknown" in view["state_text"] and "cancel" not in view["state_text"]

    def _judge_safe_all(self, act: Act) -> None:
        assert act.ok, "I12: safe all was refused"

    def _judge_flight(self) -> None:
        views = [view.as_dict() for view in self.world.queue.views()]
        doubtful = {(g, v["id"]) for g, v, _ in self.world.changes if v["state"] == "unknown"}  # may be told of late
        flying = [v for v in views if v["hazard"] == "hazardous" and v["state"] in ("queued", "sent", "accepted")]
        flying = [v for v in flying if (self.world.generation, v["id"]) not in doubtful]
        assert len(flying) <= 1, "I13: two hazardous commands under way"
        armed = [v for v in views if v["state"] == "armed"]
        assert len(armed) <= 1, "I13: two commands armed"
        if armed:
            assert self.world.now_s - armed[0]["steps"][1]["rx"] <= 10.11, "I1: armed for too long"
            assert armed[0]["operator"] == self.world.queue.holder, "I14: armed by somebody without authority"
        safing = [v for v in views if v["command"] == "safe_all" and v["state"] in ("queued", "sent")]
        if safing:
            alive = ("armed", "queued", "sent", "accepted")
            others = [v for v in views if v["command"] != "safe_all" and v["state"] in alive]
            others = [v for v in others if (self.world.generation, v["id"]) not in doubtful]
            assert not others, "I12: something else is under way while everything is made safe"
