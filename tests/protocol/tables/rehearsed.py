"""A small dictionary with a rehearsal, whose parts can be exchanged."""

from __future__ import annotations

HEAD = (
    '[dictionary]\nformat = 1\nwire = 2\nname = "small"\nversion = "1"\nvehicle = "Test stand"\n[uplink]\nvehicle_id = 7\n'
)
REASONS = (
    "none", "out of range", "old counter", "other boot", "unknown command", "other dictionary", "too late", "not stored",
    "not in this build", "not wired", "not in ground test", "continuity",
)  # fmt: skip
PACKETS = """
[packet.state]
apid = 3
fields = [
  { name = "height", type = "f32", unit = "m", role = "position.up" },
  { name = "flags", type = "bits8", bits = [
    { name = "one", bit = 0, role = "channel[1].armed" },
    { name = "two", bit = 1, role = "channel[2].armed" },
    { name = "chute", bit = 2, role = "recovery[1].armed" } ] },
]
[packet.answer]
apid = 4
fields = [
  { name = "boot_id", type = "u32" }, { name = "counter", type = "u32" }, { name = "code", type = "u8" },
  { name = "stage", type = "u8", values = ["accepted", "refused", "completed", "failed"] },
  { name = "reason", type = "u8", values = REASONS },
]
"""
PRESSURE = '{ name = "pressure", type = "f32", unit = "Pa", role = "pressure" }'
RULES = '[rehearsal]\nstep = "sensors"\nanswers = ["state"]\n'
COMMAND = '[command.{name}]\ncode = {code}\nhazard = "{hazard}"\nrehearsal = "{kind}"\ntitle = "x"\ndoes = "x"\n'
ENTER = COMMAND.format(name="enter", code=1, hazard="guarded", kind="enter")
LEAVE = COMMAND.format(name="leave", code=2, hazard="routine", kind="leave")
CHANNEL = '{ name = "channel", type = "u8", min = 1, max = 2 }'


def simulator(args: str = CHANNEL, hazard: str = "guarded", name: str = "simulator", code: int = 3) -> str:
    """Return the command that acknowledges an igniter simulator."""
    return COMMAND.format(name=name, code=code, hazard=hazard, kind="simulator") + f"args = [ {args} ]\n"


def stimulus(fields: str = PRESSURE, name: str = "sensors", apid: int = 1) -> str:
    """Return a stimulus."""
    return f"[stimulus.{name}]\napid = {apid}\nfields = [ {fields} ]\n"


def rehearsed(
    *,
    fields: str = PRESSURE,
    rules: str = RULES,
    commands: str = ENTER + LEAVE,
    reasons: tuple[str, ...] = REASONS,
    more: str = "",
) -> str:
    """Return the dictionary's text."""
    packets = PACKETS.replace("REASONS", str(list(reasons)))
    return HEAD + packets + rules + stimulus(fields) + commands + more
