"""Faults of what binds a command: to a vehicle, a start, a dictionary and a few seconds, on both ends of the wire."""

from __future__ import annotations

from tests.mutation.fault import ADDRESSEE, BOUND, COMMANDS, QUEUE, TABLE, VEHICLE, Fault, fault

BOUND_FAULTS = (
    # ---- the vehicle's side
    fault(
        "vehicle obeys a command by another dictionary",
        "command_attacks",
        (VEHICLE, "if frame.dictionary_hash != self.dictionary.hash32:", "if False:"),
    ),
    fault(
        "vehicle obeys what comes after its time",
        "command_attacks",
        (VEHICLE, "if not is_in_time(frame.valid_until_ms, vehicle_ms, self._late_ms):", "if False:"),
    ),
    fault(
        "vehicle obeys what claims to be good for hours",
        "command_attacks",
        (BOUND, "% TIME_MODULUS_MS <= VALID_AT_MOST_MS", "% TIME_MODULUS_MS <= TIME_MODULUS_MS // 2"),
    ),
    fault(
        "the tag binds no vehicle",
        "command_attacks",
        (BOUND, "label + VEHICLE.pack(vehicle_id) + signed", "label + signed"),
    ),
    fault(
        "vehicle does not check the tag of version two",
        "command_attacks",
        (BOUND, "if not hmac.compare_digest(bound_tag(key, label, vehicle_id, signed), tag):", "if False:"),
    ),
    fault(
        "vehicle checks four bytes of the tag of version two",
        "command_attacks",
        (
            BOUND,
            "hmac.compare_digest(bound_tag(key, label, vehicle_id, signed), tag)",
            "hmac.compare_digest(bound_tag(key, label, vehicle_id, signed)[:4], tag[:4])",
        ),
    ),
    fault(
        "vehicle of version two checks neither CRC nor tag",
        "command_attacks",
        (COMMANDS, "if not crc_holds(content):", "if False:"),
        (BOUND, "if not hmac.compare_digest(bound_tag(key, label, vehicle_id, signed), tag):", "if False:"),
    ),
    fault(
        "a frame of version two has no zero of its own before it",
        "command_attacks",
        (BOUND, "return DELIMITER + encode_frame(", "return encode_frame("),
    ),
    fault(
        "safe all of an old counter is refused",
        "command_attacks",
        (
            VEHICLE,
            "        if isinstance(frame, SafeAllFrame):\n            return",
            "        if isinstance(frame, SafeAllFrame) and frame.counter <= self.last_counter:\n"
            '            return Refusal(self.boot_id, frame.counter, SAFE_ALL_CODE, "old counter")\n'
            "        if isinstance(frame, SafeAllFrame):\n            return",
        ),
    ),
    fault(
        "what was sent before safe all comes after it",
        "command_attacks",
        (VEHICLE, "            self.last_counter = counter\n            if self._store", "            if self._store"),
    ),
    # ---- the station's side
    fault(
        "anybody who is heard is commanded",
        "addressee",
        (ADDRESSEE, "            return self._why_not_bound(now_s, boot_id)\n", "            return None\n"),
    ),
    fault(
        "an identity of another key is believed",
        "addressee",
        (ADDRESSEE, "if not said.signed_by(self._key, vehicle_ms):", "if False:"),
    ),
    fault(
        "an identity of long ago is believed",
        "addressee",
        (ADDRESSEE, "if now_s - heard.rx_s > IDENTITY_FRESH_S:", "if False:"),
    ),
    fault(
        "another vehicle is commanded",
        "addressee",
        (ADDRESSEE, "if said.vehicle_id != self.vehicle_id:\n            return", "if False:\n            return"),
    ),
    fault(
        "another dictionary is commanded",
        "addressee",
        (
            ADDRESSEE,
            "            return self.why_misread\n        if said.boot_id",
            "            pass\n        if said.boot_id",
        ),
    ),
    fault(
        "nobody is told that safe all reaches nobody",
        "addressee",
        (ADDRESSEE, "            self._why_deaf = why", "            pass"),
    ),
    fault("a vehicle without a start id is commanded", "addressee", (ADDRESSEE, "if said.boot_id == 0:", "if False:")),
    fault(
        "a start that nobody signed for is commanded",
        "addressee",
        (ADDRESSEE, "if boot_id not in (None, said.boot_id):", "if False:"),
    ),
    fault(
        "a late identity moves the vehicle's clock",
        "addressee",
        (
            ADDRESSEE,
            "if not of_one_clock or signed_step_ms(foretold_ms, vehicle_ms) >= 0:",
            "if True:",
        ),
    ),
    fault(
        "another start keeps the clock of the one before",
        "addressee",
        (ADDRESSEE, "return said.vehicle_id, said.boot_id", "return said.vehicle_id, 0"),
    ),
    fault(
        "another vehicle of the same start id keeps the clock of the one before",
        "addressee",
        (ADDRESSEE, "return said.vehicle_id, said.boot_id", "return 0, said.boot_id"),
    ),
    fault(
        "a clock that wraps is followed no more",
        "addressee",
        (ADDRESSEE, "signed_step_ms(foretold_ms, vehicle_ms) >= 0", "vehicle_ms >= foretold_ms"),
    ),
    fault(
        "drift lets a command live longer", "addressee", (ADDRESSEE, "self._ahead_ms - DRIFT *", "self._ahead_ms + DRIFT *")
    ),
    fault(
        "who is addressed is not looked at when asked",
        "addressee",
        (TABLE, " or self.why_not_addressed(described.hazard, now_s) or described", " or described"),
    ),
    fault(
        "who is addressed is not looked at when confirming and sending",
        "addressee",
        (QUEUE, " or self._table.why_not_addressed(entry.command.hazard, now_s)", ""),
    ),
    fault(
        "an identity of another key says that all is safe",
        "addressee",
        (QUEUE, "if heard is not None and heard.said is said:", "if True:"),
    ),
    # ---- what is bound to nothing
    fault("unbound commands need nobody's leave", "addressee", (ADDRESSEE, "if not self.allows_unbound:", "if False:")),
    fault(
        "unbound hazards need no accepted risk",
        "addressee",
        (ADDRESSEE, "if not self._dictionary.may_command_hazards:", "if False:"),
    ),
    fault(
        "an unbound vehicle of an unknown dictionary gets hazardous commands",
        "addressee",
        (ADDRESSEE, "if self._dictionary.framing is None and self._told_hash is None:", "if False:"),
    ),
    fault(
        "anybody allows unbound commands",
        "addressee",
        (
            QUEUE,
            '        if operator != self.holder:\n            return Reply(False, "you do not',
            '        if False:\n            return Reply(False, "you do not',
        ),
    ),
    # ---- what safe all leaves armed
    Fault(
        "a trial leaves armed what safe all does not touch",
        "tests/server/trials/test_trial.py",
        (("server/trials/trial.py", "elif now_s - self._disarmed_s >= DISARM_EVERY_S:", "elif False:"),),
    ),
)
