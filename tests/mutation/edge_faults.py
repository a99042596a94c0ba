"""Faults around the queue: authority, link, keys, the vehicle's side, the station."""

from __future__ import annotations

from tests.mutation.fault import ACTS, AUTHORITY, COMMANDS, COUNTER, EXECUTOR, FLOW, RULES, STATION, VEHICLE, WATCH, fault

EDGE_FAULTS = (
    # ---- authority, link, keys
    fault(
        "anybody may command",
        "command_queue",
        (RULES, "    if operator != holder:\n        holds =", "    if False:\n        holds ="),
    ),
    fault("a silent page keeps authority", "authority", (AUTHORITY, "> SILENT_AT_MOST_S", "> 1e9")),
    fault(
        "a closed page keeps authority",
        "authority",
        (AUTHORITY, "        return self.release(operator)\n", "        return False\n"),
    ),
    fault("silence is never noticed", "link_watch", (WATCH, "now_s - self._heard_s > SILENT_AFTER_S", "False")),
    fault("an open port counts as a heard vehicle", "link_watch", (WATCH, '"waiting", f"', '"up", f"')),
    fault(
        "counter is used before it is stored",
        "keys",
        (COUNTER, "                self._cover(value)\n", "                self._end = value\n"),
    ),
    fault(
        "counter is not synced",
        "keys",
        (COUNTER, "            os.fsync(file.fileno())\n        os.replace", "        os.replace"),
    ),
    fault(
        "counter wraps at its limit",
        "keys",
        (
            COUNTER,
            "            if value > COUNTER_MAX:\n"
            '                raise KeyProblem("The command counter has reached its limit; make a new key.")\n',
            "            if value > COUNTER_MAX:\n                value = 1\n",
        ),
    ),
    fault(
        "threads share a counter",
        "keys",
        (COUNTER, "max(self._next, value + 1), end", "max(self._next, value), end"),
    ),
    fault(
        "what is being stored is a spare meanwhile",
        "keys",
        (COUNTER, "            if value <= self._end:\n                self._next = value + 1\n", ""),
    ),
    fault(
        "an older file brings counters back",
        "keys",
        (COUNTER, "max(self._next, self._floor + 1, 0 if stored == self._end else stored + 1)", "stored + 1"),
    ),
    # ---- the vehicle's side
    fault(
        "vehicle has no replay guard",
        "command_attacks",
        (VEHICLE, "if frame.counter in self._answers:", "if False:"),
        (VEHICLE, "if frame.counter <= self.last_counter:", "if False:"),
    ),
    fault(
        "vehicle executes old counters",
        "command_attacks",
        (VEHICLE, "if frame.counter <= self.last_counter:", "if False:"),
    ),
    fault(
        "vehicle executes what was meant for another start",
        "command_attacks",
        (VEHICLE, "if nameless or frame.boot_id != self.boot_id:", "if False:"),
    ),
    fault(
        "vehicle burns no counter for nonsense",
        "command_attacks",
        (
            VEHICLE,
            "        self.last_counter = frame.counter\n        self._answers[frame.counter] = []\n",
            "        if frame.code in self.dictionary.command_by_code:\n"
            "            self.last_counter = frame.counter\n            self._answers[frame.counter] = []\n",
        ),
    ),
    fault(
        "vehicle does not check arguments",
        "command_attacks",
        (COMMANDS, "        self.pack_args(values)\n        return values", "        return values"),
    ),
    fault(
        "vehicle does not check the tag",
        "command_attacks",
        (COMMANDS, "if not hmac.compare_digest(command_tag(key, signed), tag):", "if False:"),
    ),
    fault(
        "vehicle checks four bytes of the tag",
        "command_attacks",
        (
            COMMANDS,
            "hmac.compare_digest(command_tag(key, signed), tag)",
            "hmac.compare_digest(command_tag(key, signed)[:4], tag[:4])",
        ),
    ),
    fault(
        "vehicle checks neither CRC nor tag",
        "command_attacks",
        (COMMANDS, "if not crc_holds(content):", "if False:"),
        (COMMANDS, "if not hmac.compare_digest(command_tag(key, signed), tag):", "if False:"),
    ),
    fault(
        "tag does not cover the arguments",
        "command_attacks",
        (COMMANDS, "signed + command_tag(key, signed)", "signed + command_tag(key, signed[:13])"),
        (
            COMMANDS,
            "compare_digest(command_tag(key, signed), tag)",
            "compare_digest(command_tag(key, signed[:13]), tag)",
        ),
    ),
    fault(
        "tag does not cover the header",
        "commands",
        (COMMANDS, "signed + command_tag(key, signed)", "signed + command_tag(key, signed[6:])"),
        (
            COMMANDS,
            "compare_digest(command_tag(key, signed), tag)",
            "compare_digest(command_tag(key, signed[6:]), tag)",
        ),
    ),
    fault(
        "arguments outside their range are packed",
        "command_queue",
        (COMMANDS, "if not self.low <= value <= self.high:", "if False:"),
    ),
    fault(
        "true is a number",
        "command_queue",
        (COMMANDS, "if isinstance(value, bool) or not isinstance", "if not isinstance"),
    ),
    # ---- the station, which carries out
    fault(
        "station does not look for sleep before an act",
        "station_commands",
        (
            STATION,
            "        self.before_act()\n        if kind",
            "        if kind",
        ),
    ),
    fault(
        "station does not look for sleep before sending",
        "station_commands",
        (
            EXECUTOR,
            "                self._look_at_clocks()  # the machine may have slept while the disk was waited for\n",
            "",
        ),
    ),
    fault(
        "station asks the disk before safe all",
        "safe_all",
        (EXECUTOR, "if action.must_be_durable or not self._prepare_at_once(action):", "if True:"),
    ),
    fault(
        "station waits for a hanging disk",
        "station_commands",
        (
            EXECUTOR,
            "self._counter_disk.do(self._counters.take, patience_s)",
            "self._counter_disk.do(self._counters.take, 1000.0)",
        ),
    ),
    fault(
        "station does not pass on an unnamed restart",
        "station_commands",
        (FLOW, "queue.on_boot_id(boot_id, now_s, restarted)", "queue.on_boot_id(boot_id, now_s)"),
    ),
    fault(
        "station passes odd arguments on as they are",
        "station_commands",
        (
            ACTS,
            '    return value[:20] if isinstance(value, str) else f"a {type(value).__name__}"',
            "    return value",
        ),
    ),
)
