"""Faults of the command queue: acts, disarming, conditions, sending, safe all."""

from __future__ import annotations

from tests.mutation.fault import CONDITIONS, OUTCOMES, QUEUE, RULES, STATE, TABLE, TWO_ACTS, fault

QUEUE_FAULTS = (
    # ---- two acts
    fault(
        "an arm never expires", "command_queue", (QUEUE, "entry.first is not None and entry.first.is_over(now_s)", "False")
    ),
    fault("a first act counts for ever", "two_acts", (TWO_ACTS, " or first.is_over(now_s):", ":")),
    fault("a first act outlives what disarms", "two_acts", (TWO_ACTS, "first.era != self._era or ", "")),
    fault(
        "a second tab is a second person",
        "two_acts",
        (TWO_ACTS, "seat is None or seat == self._seat_of(first.operator) or ", "seat is None or "),
    ),
    fault(
        "confirm does not let time pass first",
        "command_queue",
        (QUEUE, "        self.tick(now_s)\n        entry = self", "        entry = self"),
    ),
    fault(
        "confirm at once is taken",
        "command_queue",
        (TWO_ACTS, "if now_s - first.at_s < CONFIRM_EARLIEST_S:", "if False:"),
    ),
    fault(
        "anybody may confirm",
        "command_queue",
        (TWO_ACTS, "if operator != first.operator or operator != self.holder:", "if False:"),
    ),
    fault("confirm of other arguments is taken", "command_queue", (RULES, "and dict(args) == entry.args", "")),
    fault(
        "confirm of another command is taken",
        "command_queue",
        (RULES, "return command == entry.command.name and ", "return "),
    ),
    fault(
        "true counts as one when confirming",
        "command_queue",
        (RULES, "        entry.command.pack_args(args)\n    except", "        pass\n    except"),
    ),
    fault("hazardous command by one act", "command_queue", (QUEUE, 'if described.hazard != "routine":', "if False:")),
    fault(
        "an arm can be used twice",
        "command_queue",
        (
            QUEUE,
            "entry is None or entry.state is not State.ARMED or entry.first is None:",
            "entry is None or entry.first is None:",
        ),
        (QUEUE, "        self._table.apply(entry, Event.CONFIRM, now_s)\n", "        entry.state = State.QUEUED\n"),
    ),
    # ---- what disarms
    fault(
        "link loss does not disarm",
        "command_queue",
        (QUEUE, "        if self.link_up and not up:\n", "        if False:\n"),
    ),
    fault(
        "change of holder does not disarm",
        "command_queue",
        (
            QUEUE,
            "        if operator != self.holder:\n            self.disarm(",
            "        if False:\n            self.disarm(",
        ),
    ),
    fault(
        "restart of the vehicle does not disarm",
        "command_queue",
        (QUEUE, "elif boot_id != known or restarted:", "elif False:"),
    ),
    fault(
        "restart without a new boot id does not disarm",
        "command_queue",
        (QUEUE, "elif boot_id != known or restarted:", "elif boot_id != known:"),
    ),
    fault(
        "disarm leaves the armed alone",
        "command_queue",
        (
            TABLE,
            "if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):",
            "if entry.state in (State.QUEUED, State.SENT, State.ACCEPTED):",
        ),
    ),
    fault(
        "disarm leaves the queued alone",
        "command_queue",
        (
            TABLE,
            "if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):",
            "if entry.state in (State.ARMED, State.SENT, State.ACCEPTED):",
        ),
    ),
    fault(
        "disarm leaves the sent alone, repeats go on",
        "command_queue",
        (
            TABLE,
            "if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):",
            "if entry.state in UNSENT:",
        ),
    ),
    fault(
        "a late answer starts the repeats again",
        "command_queue",
        (QUEUE, "        young = young and not entry.given_up\n", ""),
    ),
    fault(
        "a frame in hand outlives a disarm",
        "command_queue",
        (TABLE, "not (isinstance(a, Transmit) and a.id == entry.id)", "True"),
    ),
    fault(
        "prepared frame leaves though dropped meanwhile",
        "command_queue",
        (
            QUEUE,
            "        if entry.state is not State.QUEUED:\n            self._table.advance(now_s)\n            return\n"
            "        entry.counter",
            "        entry.counter",
        ),
    ),
    # ---- conditions
    fault(
        "interlocks not looked at when arming",
        "command_queue",
        (QUEUE, "        unmet = rules.first_unmet(checks)\n", "        unmet = None\n"),
    ),
    fault(
        "interlocks not looked at when confirming",
        "command_queue",
        (
            QUEUE,
            "        unmet = self._unmet(entry, now_s)\n        if unmet:\n            return Reply",
            "        unmet = None\n        if unmet:\n            return Reply",
        ),
    ),
    fault(
        "interlocks not looked at when sending",
        "command_queue",
        (
            QUEUE,
            "        unmet = self._unmet(entry, now_s)\n        if unmet:\n            self._table.apply",
            "        unmet = None\n        if unmet:\n            self._table.apply",
        ),
    ),
    fault(
        "interlocks not looked at when sending again",
        "command_queue",
        (
            QUEUE,
            "            unmet = self._unmet(entry, now_s)\n            if unmet is None:",
            "            unmet = None\n            if unmet is None:",
        ),
    ),
    fault(
        "stale telemetry fulfills",
        "conditions",
        (CONDITIONS, "    if not 0.0 <= age_s <= fresh_s:  # also", "    if False:  # also"),
    ),
    fault(
        "a role not reported fulfills",
        "conditions",
        (CONDITIONS, 'condition.title, False, "not reported"', 'condition.title, True, "not reported"'),
    ),
    fault(
        "not-a-number fulfills an upper limit",
        "conditions",
        (CONDITIONS, "if not isfinite(value) or", "if"),
        (CONDITIONS, "return value <= target", "return not value > target"),
    ),
    fault(
        "one of two commands may be armed at a time: not checked",
        "command_queue",
        (
            RULES,
            "        if entry.state is State.ARMED:\n            return",
            "        if False:\n            return",
        ),
    ),
    fault(
        "two hazardous commands in flight",
        "command_queue",
        (
            RULES,
            'if hazardous and entry.command.hazard == "hazardous" and entry.in_flight:',
            "if False:",
        ),
    ),
    # ---- sending, sending again, not knowing
    fault(
        "a fourth and fifth send",
        "command_queue",
        (QUEUE, "entry.sends < self._wire.sends_at_most", "entry.sends < 5"),
        (QUEUE, "TIME_TO_LIVE_S = 3.0", "TIME_TO_LIVE_S = 9.0"),
    ),
    fault(
        "sent again after its time to live",
        "command_queue",
        (QUEUE, "now_s - entry.first_sent_s <= TIME_TO_LIVE_S and ", ""),
        (
            QUEUE,
            "patience = self._wire.effect_within_s if entry.state is State.ACCEPTED else TIME_TO_LIVE_S",
            "patience = 20.0",
        ),
        (QUEUE, "entry.sends < self._wire.sends_at_most", "True"),
    ),
    fault(
        "a repeat under a new counter",
        "command_queue",
        (
            QUEUE,
            "            if unmet is None:\n                self._table.transmit(entry, now_s)\n",
            "            if unmet is None:\n                entry.state = State.QUEUED\n"
            "                self._table._prepare(entry, now_s)\n",
        ),
    ),
    fault(
        "silence is shown as refused",
        "command_state",
        (
            STATE,
            "        Event.DOUBT: State.UNKNOWN,\n        Event.TIME_OUT: State.UNKNOWN,",
            "        Event.DOUBT: State.UNKNOWN,\n        Event.TIME_OUT: State.REFUSED,",
        ),
    ),
    fault(
        "sent can be cancelled",
        "command_state",
        (
            STATE,
            "        Event.WRITE: State.SENT,\n        Event.DOUBT",
            "        Event.WRITE: State.SENT,\n        Event.CANCEL: State.CANCELLED,\n        Event.DOUBT",
        ),
        (
            RULES,
            '    if entry.state not in UNSENT:\n        return f"too late',
            '    if False:\n        return f"too late',
        ),
    ),
    fault(
        '"other boot" is shown as refused',
        "command_queue",
        (OUTCOMES, 'if stage == "refused" and reason in NO_OUTCOME:', "if False:"),
    ),
    fault(
        "writing counts as done",
        "command_state",
        (STATE, "        Event.WRITE: State.SENT,\n    },", "        Event.WRITE: State.COMPLETED,\n    },"),
    ),
    fault(
        "an answer to another start is taken",
        "command_queue",
        (OUTCOMES, "if entry is None or not self._is_from(entry, boot_id):", "if entry is None:"),
    ),
    fault(
        "a start never heard of answers for safe all",
        "command_queue",
        (OUTCOMES, "return boot_id in map(_told_of, known)", "return True"),
    ),
    fault(
        "an answer is given to the wrong command",
        "command_queue",
        (TABLE, "if entry.counter == counter and counter", "if entry.counter"),
    ),
    fault(
        "old telemetry verifies",
        "command_queue",
        (OUTCOMES, "since_s = max(entry.since_s, entry.first_sent_s)", "since_s = -1.0"),
    ),
    fault(
        "telemetry of another dictionary verifies",
        "command_queue",
        (OUTCOMES, "if self._addressee.why_misread is not None:", "if False:"),
    ),
    fault(
        "an earlier safe all of the same number is the new one",
        "command_queue",
        (OUTCOMES, "if last_counter == counter and entry.state", "if entry.state"),
    ),
    fault(
        "what fires is sent in one act where the dictionary says so",
        "command_queue",
        (RULES, 'if described.hazard == "routine" and dictionary.arms(described):', "if False:"),
    ),
    fault(
        "what may have left before a kill was dropped before sending",
        "take_up",
        ("server/live/note_writer.py", "in UNSENT and not may_have_left else", "in UNSENT else"),
    ),
    fault(
        "verified without the effect",
        "conditions",
        (
            CONDITIONS,
            "            if reading is None or reading.true_s <= since_s:\n                return False",
            "            if reading is None or reading.true_s <= since_s:\n                return True",
        ),
    ),
    fault(
        "a failing disk does not stop a command",
        "command_queue",
        (
            QUEUE,
            "            self._table.apply(entry, Event.BLOCK, now_s, sentence)\n",
            "            entry.frame = b'x'\n            self._table.transmit(entry, now_s)\n",
        ),
    ),
    fault(
        "a slow disk lets an old command go",
        "command_queue",
        (
            QUEUE,
            "        self._tick_entry(entry, now_s)\n        entry.preparing = False",
            "        entry.preparing = False",
        ),
    ),
    fault(
        "intent need not be durable",
        "command_queue",
        (TABLE, "must_be_durable=not entry.command.safes_all", "must_be_durable=False"),
    ),
    # ---- safe all
    fault("safe all drops nothing", "command_queue", (QUEUE, '        self.disarm("safe all", now_s)\n', "")),
    fault(
        "safe all waits its turn",
        "command_queue",
        (TABLE, "        urgent = [e for e in waiting if e.command.safes_all]\n", "        urgent = []\n"),
        (QUEUE, '        self.disarm("safe all", now_s)\n', ""),
    ),
    fault(
        "safe all needs authority",
        "command_queue",
        (
            QUEUE,
            '        self.disarm("safe all", now_s)\n        if command is None',
            '        if operator != self.holder:\n            return Reply(False, "no")\n'
            '        self.disarm("safe all", now_s)\n        if command is None',
        ),
    ),
    fault(
        "safe all is given up",
        "command_queue",
        (QUEUE, "(safing or young)", "young"),
        (QUEUE, "if not safing and now_s", "if now_s"),
    ),
    fault(
        "safe all does not survive a restart of the vehicle",
        "command_queue",
        (QUEUE, "            if safing is not None:\n                self.safe_all(safing.operator, now_s)\n", ""),
    ),
    fault(
        "safe all can be cancelled",
        "command_queue",
        (
            RULES,
            '    if entry.command.safes_all:\n        return f"{entry.command.title} is not',
            '    if False:\n        return f"{entry.command.title} is not',
        ),
    ),
    fault(
        "commands are taken while everything is made safe",
        "command_queue",
        (
            RULES,
            '    if safing_of(commands) is not None:\n        return f"safe all',
            '    if False:\n        return f"safe all',
        ),
    ),
)
