"""The faults: exact replacements in the source, more than one where a second barrier masks the first."""

from __future__ import annotations

from dataclasses import dataclass

QUEUE = "server/command_queue.py"
STATE = "server/command_state.py"
CONDITIONS = "server/conditions.py"
AUTHORITY = "server/authority.py"
KEYS = "server/keys.py"
WATCH = "server/link_watch.py"
VEHICLE = "protocol/vehicle.py"
COMMANDS = "protocol/commands.py"
STATION = "server/station.py"


@dataclass(frozen=True)
class Fault:
    """One fault: its name, the test file expected to catch it, and (file, old text, new text) replacements."""

    name: str
    catcher: str
    changes: tuple[tuple[str, str, str], ...]


def _fault(name: str, catcher: str, *changes: tuple[str, str, str]) -> Fault:
    return Fault(name, f"tests/server/test_{catcher}.py", changes)


FAULTS = (
    # ---- two acts
    _fault("an arm never expires", "command_queue", (QUEUE, "State.ARMED and waited > CONFIRM_LATEST_S", "False")),
    _fault(
        "confirm does not let time pass first",
        "command_queue",
        (QUEUE, "        self.tick(now_s)\n        entry = self", "        entry = self"),
    ),
    _fault(
        "confirm at once is taken",
        "command_queue",
        (QUEUE, "if now_s - entry.since_s < CONFIRM_EARLIEST_S:", "if False:"),
    ),
    _fault(
        "anybody may confirm",
        "command_queue",
        (QUEUE, "if operator != armed_by or operator != self.holder:", "if False:"),
    ),
    _fault("confirm of other arguments is taken", "command_queue", (QUEUE, "and dict(args) == entry.args", "")),
    _fault(
        "confirm of another command is taken",
        "command_queue",
        (QUEUE, "return command == entry.command.name and ", "return "),
    ),
    _fault(
        "true counts as one when confirming",
        "command_queue",
        (QUEUE, "        entry.command.pack_args(args)\n    except", "        pass\n    except"),
    ),
    _fault("hazardous command by one act", "command_queue", (QUEUE, 'if described.hazard != "routine":', "if False:")),
    _fault(
        "an arm can be used twice",
        "command_queue",
        (QUEUE, "entry is None or entry.state is not State.ARMED:", "entry is None:"),
        (QUEUE, "        self._apply(entry, Event.CONFIRM, now_s)\n", "        entry.state = State.QUEUED\n"),
    ),
    # ---- what disarms
    _fault(
        "link loss does not disarm",
        "command_queue",
        (QUEUE, "        if self.link_up and not up:\n", "        if False:\n"),
    ),
    _fault(
        "change of holder does not disarm",
        "command_queue",
        (
            QUEUE,
            "        if operator != self.holder:\n            self.disarm(",
            "        if False:\n            self.disarm(",
        ),
    ),
    _fault(
        "restart of the vehicle does not disarm",
        "command_queue",
        (QUEUE, "elif boot_id != known or restarted:", "elif False:"),
    ),
    _fault(
        "restart without a new boot id does not disarm",
        "command_queue",
        (QUEUE, "elif boot_id != known or restarted:", "elif boot_id != known:"),
    ),
    _fault(
        "disarm leaves the armed alone",
        "command_queue",
        (
            QUEUE,
            "if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):",
            "if entry.state in (State.QUEUED, State.SENT, State.ACCEPTED):",
        ),
    ),
    _fault(
        "disarm leaves the queued alone",
        "command_queue",
        (
            QUEUE,
            "if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):",
            "if entry.state in (State.ARMED, State.SENT, State.ACCEPTED):",
        ),
    ),
    _fault(
        "disarm leaves the sent alone, repeats go on",
        "command_queue",
        (
            QUEUE,
            "if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):",
            "if entry.state in UNSENT:",
        ),
    ),
    _fault(
        "a late answer starts the repeats again",
        "command_queue",
        (QUEUE, "        young = young and not entry.given_up\n", ""),
    ),
    _fault(
        "a frame in hand outlives a disarm",
        "command_queue",
        (QUEUE, "not (isinstance(a, Transmit) and a.id == entry.id)", "True"),
    ),
    _fault(
        "prepared frame leaves though dropped meanwhile",
        "command_queue",
        (
            QUEUE,
            "        if entry.state is not State.QUEUED:\n            self._advance(now_s)\n            return\n"
            "        entry.counter",
            "        entry.counter",
        ),
    ),
    # ---- conditions
    _fault(
        "interlocks not looked at when arming",
        "command_queue",
        (QUEUE, "        unmet = [check for check in checks if not check.met]\n", "        unmet = []\n"),
    ),
    _fault(
        "interlocks not looked at when confirming",
        "command_queue",
        (
            QUEUE,
            "        unmet = self._unmet(entry, now_s)\n        if unmet:\n            return Reply",
            "        unmet = None\n        if unmet:\n            return Reply",
        ),
    ),
    _fault(
        "interlocks not looked at when sending",
        "command_queue",
        (
            QUEUE,
            "        unmet = self._unmet(entry, now_s)\n        if unmet:\n            self._apply",
            "        unmet = None\n        if unmet:\n            self._apply",
        ),
    ),
    _fault(
        "interlocks not looked at when sending again",
        "command_queue",
        (
            QUEUE,
            "            unmet = self._unmet(entry, now_s)\n            if unmet is None:",
            "            unmet = None\n            if unmet is None:",
        ),
    ),
    _fault("stale telemetry fulfills", "conditions", (CONDITIONS, "if not 0.0 <= age_s <= FRESH_S:", "if False:")),
    _fault(
        "a role not reported fulfills",
        "conditions",
        (CONDITIONS, 'condition.title, False, "not reported"', 'condition.title, True, "not reported"'),
    ),
    _fault(
        "not-a-number fulfills an upper limit",
        "conditions",
        (CONDITIONS, "if not isfinite(value) or", "if"),
        (CONDITIONS, "return value <= target", "return not value > target"),
    ),
    _fault(
        "one of two commands may be armed at a time: not checked",
        "command_queue",
        (
            QUEUE,
            "            if entry.state is State.ARMED:\n                return",
            "            if False:\n                return",
        ),
    ),
    _fault(
        "two hazardous commands in flight",
        "command_queue",
        (
            QUEUE,
            'if hazardous and entry.command.hazard == "hazardous" and entry.in_flight:',
            "if False:",
        ),
    ),
    # ---- sending, sending again, not knowing
    _fault(
        "a fourth and fifth send",
        "command_queue",
        (QUEUE, "entry.sends < self._rules.sends_at_most", "entry.sends < 5"),
        (QUEUE, "TIME_TO_LIVE_S = 3.0", "TIME_TO_LIVE_S = 9.0"),
    ),
    _fault(
        "sent again after its time to live",
        "command_queue",
        (QUEUE, "now_s - entry.first_sent_s <= TIME_TO_LIVE_S and ", ""),
        (
            QUEUE,
            "patience = self._rules.effect_within_s if entry.state is State.ACCEPTED else TIME_TO_LIVE_S",
            "patience = 20.0",
        ),
        (QUEUE, "entry.sends < self._rules.sends_at_most", "True"),
    ),
    _fault(
        "a repeat under a new counter",
        "command_queue",
        (
            QUEUE,
            "            if unmet is None:\n                self._transmit(entry, now_s)\n",
            "            if unmet is None:\n                entry.state = State.QUEUED\n"
            "                self._prepare(entry, now_s)\n",
        ),
    ),
    _fault(
        "silence is shown as refused",
        "command_state",
        (
            STATE,
            "        Event.DOUBT: State.UNKNOWN,\n        Event.TIME_OUT: State.UNKNOWN,",
            "        Event.DOUBT: State.UNKNOWN,\n        Event.TIME_OUT: State.REFUSED,",
        ),
    ),
    _fault(
        "sent can be cancelled",
        "command_state",
        (
            STATE,
            "        Event.WRITE: State.SENT,\n        Event.DOUBT",
            "        Event.WRITE: State.SENT,\n        Event.CANCEL: State.CANCELLED,\n        Event.DOUBT",
        ),
        (
            QUEUE,
            '        if entry.state not in UNSENT:\n            return Reply(False, f"too late',
            '        if False:\n            return Reply(False, f"too late',
        ),
    ),
    _fault(
        '"other boot" is shown as refused',
        "command_queue",
        (QUEUE, 'if stage == "refused" and reason in NO_OUTCOME:', "if False:"),
    ),
    _fault(
        "writing counts as done",
        "command_state",
        (STATE, "        Event.WRITE: State.SENT,\n    },", "        Event.WRITE: State.COMPLETED,\n    },"),
    ),
    _fault(
        "an answer to another start is taken",
        "command_queue",
        (QUEUE, 'if entry is None or boot_id != entry.extra.get("boot_id"):', "if entry is None:"),
    ),
    _fault(
        "an answer is given to the wrong command",
        "command_queue",
        (QUEUE, "if e.counter == counter and counter", "if e.counter"),
    ),
    _fault(
        "old telemetry verifies",
        "command_queue",
        (QUEUE, "since_s = max(entry.since_s, entry.first_sent_s)", "since_s = -1.0"),
    ),
    _fault(
        "verified without the effect",
        "conditions",
        (
            CONDITIONS,
            "            if reading is None or reading.rx_s <= since_s:\n                return False",
            "            if reading is None or reading.rx_s <= since_s:\n                return True",
        ),
    ),
    _fault(
        "a failing disk does not stop a command",
        "command_queue",
        (
            QUEUE,
            "            self._apply(entry, Event.BLOCK, now_s, sentence)\n",
            "            entry.frame = b'x'\n            self._transmit(entry, now_s)\n",
        ),
    ),
    _fault(
        "a slow disk lets an old command go",
        "command_queue",
        (
            QUEUE,
            "        self._tick_entry(entry, now_s)\n        entry.preparing = False",
            "        entry.preparing = False",
        ),
    ),
    _fault(
        "intent need not be durable",
        "command_queue",
        (QUEUE, "must_be_durable=not entry.command.safes_all", "must_be_durable=False"),
    ),
    # ---- safe all
    _fault("safe all drops nothing", "command_queue", (QUEUE, '        self.disarm("safe all", now_s)\n', "")),
    _fault(
        "safe all waits its turn",
        "command_queue",
        (QUEUE, "        urgent = [e for e in waiting if e.command.safes_all]\n", "        urgent = []\n"),
        (QUEUE, '        self.disarm("safe all", now_s)\n', ""),
    ),
    _fault(
        "safe all needs authority",
        "command_queue",
        (
            QUEUE,
            '        self.disarm("safe all", now_s)\n        if command is None',
            '        if operator != self.holder:\n            return Reply(False, "no")\n'
            '        self.disarm("safe all", now_s)\n        if command is None',
        ),
    ),
    _fault(
        "safe all is given up",
        "command_queue",
        (QUEUE, "(safing or young)", "young"),
        (QUEUE, "if not safing and now_s", "if now_s"),
    ),
    _fault(
        "safe all does not survive a restart of the vehicle",
        "command_queue",
        (QUEUE, "            if safing is not None:\n                self.safe_all(safing.operator, now_s)\n", ""),
    ),
    _fault(
        "safe all can be cancelled",
        "command_queue",
        (
            QUEUE,
            '        if entry.command.safes_all:\n            return Reply(False, f"{entry.command.title} is not',
            '        if False:\n            return Reply(False, f"{entry.command.title} is not',
        ),
    ),
    _fault(
        "commands are taken while everything is made safe",
        "command_queue",
        (
            QUEUE,
            '        if self._safing() is not None:\n            return Reply(False, "safe all',
            '        if False:\n            return Reply(False, "safe all',
        ),
    ),
    # ---- authority, link, keys
    _fault(
        "anybody may command",
        "command_queue",
        (QUEUE, "        if operator != self.holder:\n            holder =", "        if False:\n            holder ="),
    ),
    _fault("a silent page keeps authority", "authority", (AUTHORITY, "> SILENT_AT_MOST_S", "> 1e9")),
    _fault(
        "a closed page keeps authority",
        "authority",
        (AUTHORITY, "        return self.release(operator)\n", "        return False\n"),
    ),
    _fault("silence is never noticed", "link_watch", (WATCH, "now_s - self._heard_s > SILENT_AFTER_S", "False")),
    _fault("an open port counts as a heard vehicle", "link_watch", (WATCH, '"waiting", f"', '"up", f"')),
    _fault(
        "counter is used before it is stored",
        "keys",
        (KEYS, "                self._cover(value)\n", "                self._end = value\n"),
    ),
    _fault(
        "counter is not synced",
        "keys",
        (KEYS, "            os.fsync(file.fileno())\n        os.replace", "        os.replace"),
    ),
    _fault(
        "counter wraps at its limit",
        "keys",
        (
            KEYS,
            "            if self._next > COUNTER_MAX:\n"
            '                raise KeyProblem("The command counter has reached its limit; make a new key.")\n',
            "            if self._next > COUNTER_MAX:\n                self._next = 1\n",
        ),
    ),
    _fault(
        "threads share a counter",
        "keys",
        (
            KEYS,
            "            self._next += 1\n            return self._next - 1\n\n    def _give_back",
            "            return self._next\n\n    def _give_back",
        ),
    ),
    # ---- the vehicle's side
    _fault(
        "vehicle has no replay guard",
        "command_attacks",
        (VEHICLE, "if frame.counter in self._answers:", "if False:"),
        (VEHICLE, "if frame.counter <= self.last_counter:", "if False:"),
    ),
    _fault(
        "vehicle executes old counters",
        "command_attacks",
        (VEHICLE, "if frame.counter <= self.last_counter:", "if False:"),
    ),
    _fault(
        "vehicle executes what was meant for another start",
        "command_attacks",
        (VEHICLE, "if frame.boot_id != self.boot_id:", "if False:"),
    ),
    _fault(
        "vehicle burns no counter for nonsense",
        "command_attacks",
        (
            VEHICLE,
            "        self.last_counter = frame.counter\n        self._answers[frame.counter] = []\n",
            "        if frame.code in self.dictionary.command_by_code:\n"
            "            self.last_counter = frame.counter\n            self._answers[frame.counter] = []\n",
        ),
    ),
    _fault(
        "vehicle does not check arguments",
        "command_attacks",
        (COMMANDS, "        self.pack_args(values)\n        return values", "        return values"),
    ),
    _fault(
        "vehicle does not check the tag",
        "command_attacks",
        (COMMANDS, "if not hmac.compare_digest(command_tag(key, signed), tag):", "if False:"),
    ),
    _fault(
        "vehicle checks four bytes of the tag",
        "command_attacks",
        (
            COMMANDS,
            "hmac.compare_digest(command_tag(key, signed), tag)",
            "hmac.compare_digest(command_tag(key, signed)[:4], tag[:4])",
        ),
    ),
    _fault(
        "vehicle checks neither CRC nor tag",
        "command_attacks",
        (COMMANDS, "if not crc_holds(content):", "if False:"),
        (COMMANDS, "if not hmac.compare_digest(command_tag(key, signed), tag):", "if False:"),
    ),
    _fault(
        "tag does not cover the arguments",
        "command_attacks",
        (COMMANDS, "signed + command_tag(key, signed)", "signed + command_tag(key, signed[:13])"),
        (
            COMMANDS,
            "compare_digest(command_tag(key, signed), tag)",
            "compare_digest(command_tag(key, signed[:13]), tag)",
        ),
    ),
    _fault(
        "tag does not cover the header",
        "command_attacks",
        (COMMANDS, "signed + command_tag(key, signed)", "signed + command_tag(key, signed[6:])"),
        (
            COMMANDS,
            "compare_digest(command_tag(key, signed), tag)",
            "compare_digest(command_tag(key, signed[6:]), tag)",
        ),
    ),
    _fault(
        "arguments outside their range are packed",
        "command_queue",
        (COMMANDS, "if not self.low <= value <= self.high:", "if False:"),
    ),
    _fault(
        "true is a number",
        "command_queue",
        (COMMANDS, "if isinstance(value, bool) or not isinstance", "if not isinstance"),
    ),
    # ---- the station, which carries out
    _fault(
        "station does not look for sleep before an act",
        "station_commands",
        (
            STATION,
            "        self._look_at_clocks()  # an act before the next tick must not find what a sleep has ended\n",
            "",
        ),
    ),
    _fault(
        "station does not look for sleep before sending",
        "station_commands",
        (
            STATION,
            "            self._look_at_clocks()  # the machine may have slept while the disk was waited for\n",
            "",
        ),
    ),
    _fault(
        "station has no spare counter for safe all",
        "station_commands",
        (STATION, "            if not must_be_durable:\n                return self._counters.take_spare()\n", ""),
    ),
    _fault(
        "station waits for a hanging disk",
        "station_commands",
        (
            STATION,
            "await asyncio.wait_for(asyncio.to_thread(self._counters.take), patience_s)",
            "await asyncio.to_thread(self._counters.take)",
        ),
    ),
    _fault(
        "station does not pass on an unnamed restart",
        "station_commands",
        (STATION, "self.now_s(), restarted)", "self.now_s())"),
    ),
    _fault(
        "station passes odd arguments on as they are",
        "station_commands",
        (
            STATION,
            '    return value[:20] if isinstance(value, str) else f"a {type(value).__name__}"',
            "    return value",
        ),
    ),
)
