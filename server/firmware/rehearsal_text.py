"""The parts of the generated C that belong to rehearsal: firing channels, stimuli, what plays them.

All but the channels and the codes of its commands stands within `#ifdef BH_REHEARSAL`: firmware for flight has none of it.
"""

from __future__ import annotations

from collections.abc import Iterator

from protocol.rehearsal import RehearsalRules
from server.firmware.layout import Layout, Member
from server.firmware.names import comment_text, constant_name

PERIOD_MS = 1000  # of the packet rehearsal, while nothing else makes it be sent
BEGIN, END = "#ifdef BH_REHEARSAL", "#endif"


def channel_lines(layout: Layout) -> Iterator[str]:
    """Yield the numbers of the firing channels: what `bh_may_fire` is asked about, and the bits of a rehearsal."""
    yield "/* Firing channels, what bh_may_fire is asked about: lateral ones first, then recovery. */"
    yield f"#define BH_CHANNEL_COUNT {len(layout.lateral) + len(layout.recovery)}u"
    yield f"#define BH_LATERAL_COUNT {len(layout.lateral)}u"
    if layout.names.firing:
        yield "enum {"
        yield from (f"    {name} = {number}," for number, name in enumerate(layout.names.firing.values()))
        yield "};"
    yield ""


def header_lines(layout: Layout) -> Iterator[str]:
    """Yield what `bh_dictionary.h` says of rehearsal, behind the commands."""
    rules = layout.dictionary.rehearsal
    yield f"#define BH_STIMULI {int(rules is not None)} /* 1: a build with -DBH_REHEARSAL can be rehearsed (GUIDE.md) */"
    if rules is not None:
        yield from _rules(layout, rules)
        yield BEGIN
        for stimulus in layout.stimuli:
            yield f"/* {comment_text(stimulus.description or stimulus.name)} */"
            yield "typedef struct {"
            yield from declarations(layout.stimulus_members[stimulus.name])
            yield f"}} bh_{layout.names.stimuli[stimulus.name]}_stimulus;"
            yield ""
        yield "typedef union {"
        stems, members = layout.names.stimuli, layout.names.stimulus_members
        yield from (f"    bh_{stems[one.name]}_stimulus {members[one.name]};" for one in layout.stimuli)
        yield "} bh_any_stimulus;"
        yield END
    yield ""


def _rules(layout: Layout, rules: RehearsalRules) -> Iterator[str]:
    codes = {command.rehearsal: command for command in layout.commands if command.rehearsal}
    for kind in ("enter", "leave", "simulator"):
        code = f"0x{codes[kind].code:02X}u" if kind in codes else "0u /* none */"
        yield f"#define {constant_name('rehearsal', kind)} {code}"
    simulator = codes.get("simulator")
    if simulator is None:
        yield "#define BH_REHEARSAL_CHANNEL(args) ((void)(args), 0u)"
    else:
        place = f"{layout.names.command_members[simulator.name]}.{layout.argument_name(simulator, simulator.args[0])}"
        yield f"#define BH_REHEARSAL_CHANNEL(args) ((args).{place})"
    yield f"#define BH_REHEARSAL_PERIOD_MS {PERIOD_MS}u"
    yield f"#define BH_REHEARSAL_KEEP_ALIVE_MS {round(1000.0 * rules.keep_alive_s)}u"
    yield f"#define BH_REHEARSAL_SIMULATORS_MS {round(1000.0 * rules.simulators_s)}u"
    yield f"#define BH_STIMULUS_COUNT {len(layout.stimuli)}"
    yield "enum {"
    for number, stimulus in enumerate(layout.stimuli):
        yield f"    {constant_name('stimulus', layout.names.stimuli[stimulus.name])} = {number},"
    yield "    BH_STIMULUS_END"
    yield "};"
    step = constant_name("stimulus", layout.names.stimuli[rules.step])
    yield f"#define BH_STIMULUS_STEP {step} /* after it one control cycle, and its answers */"


def declarations(members: list[Member]) -> Iterator[str]:
    """Yield the members of one struct with what the dictionary says of them."""
    for member in members:
        said = comment_text(" ".join(filter(None, (member.channel.unit, member.channel.description))))
        if member.declaration:
            yield f"    {member.declaration}" + (f" /* {said} */" if said else "")


def field_table(name: str, struct: str, members: list[Member]) -> Iterator[str]:
    """Yield the table of one struct's fields."""
    yield f"static const bh_field {name}[] = {{"
    for m in members:
        place = f"offsetof({struct}, {m.name})"
        if m.array is not None:
            place = f"({place} + {m.array[1]}u * sizeof({m.c_type}))"
        yield f"    {{{m.type}, {m.number}, {m.how}, {m.size}, (uint16_t){place}}},"
    yield "};"
    yield ""


def extern_lines(layout: Layout) -> Iterator[str]:
    """Yield the declarations of the stimuli's tables."""
    if layout.stimuli:
        yield BEGIN
        yield "extern const bh_stimulus bh_stimuli[BH_STIMULUS_COUNT];"
        yield f"extern const bh_scale bh_stimulus_scales[{max(1, len(layout.stimulus_scales))}];"
        yield END


def table_lines(layout: Layout) -> Iterator[str]:
    """Yield the stimuli's tables."""
    if not layout.stimuli:
        return
    yield ""
    yield BEGIN
    for stimulus in layout.stimuli:
        struct = f"bh_{layout.names.stimuli[stimulus.name]}_stimulus"
        yield from field_table(f"{stimulus.name}_stimulus_fields", struct, layout.stimulus_members[stimulus.name])
    yield "const bh_stimulus bh_stimuli[BH_STIMULUS_COUNT] = {"
    for one in layout.stimuli:
        count = len(layout.stimulus_members[one.name])
        yield f"    {{{one.apid}, {count}, {one.layout.size}, {one.name}_stimulus_fields}},"
    yield "};"
    yield ""
    yield f"const bh_scale bh_stimulus_scales[{max(1, len(layout.stimulus_scales))}] = {{"
    yield from (f"    {{{scale!r}, {offset!r}}}," for scale, offset in layout.stimulus_scales or [(1.0, 0.0)])
    yield "};"
    yield END


def player_lines(layout: Layout) -> Iterator[str]:
    """Yield what `blockhouse.h` has to play stimuli."""
    if not layout.stimuli:
        return
    stems, members = layout.names.stimuli, layout.names.stimulus_members
    yield BEGIN
    yield "/* Who takes which stimulus; NULL for one that nobody wants. `time_us` is the time since the rehearsal began. */"
    yield "typedef struct {"
    for one in layout.stimuli:
        yield f"    void (*{members[one.name]})(void *user, uint32_t time_us, const bh_{stems[one.name]}_stimulus *values);"
    yield "} bh_stimulus_calls;"
    yield ""
    yield "/* After BH_STIMULUS: call the one it was, with `user`. */"
    yield "static inline void bh_play(bh_link *link, const bh_stimulus_calls *calls, void *user)"
    yield "{"
    yield "    uint32_t time_us = link->vehicle->rehearsal.time_us;"
    yield "    switch (link->played.which) {"
    for one in layout.stimuli:
        member = members[one.name]
        yield f"    case {constant_name('stimulus', stems[one.name])}:"
        yield f"        if (calls->{member} != NULL) {{"
        yield f"            calls->{member}(user, time_us, &link->played.values.{member});"
        yield "        }"
        yield "        break;"
    yield "    default:"
    yield "        break;"
    yield "    }"
    yield "}"
    yield ""
    yield "/* Whether the stimulus just played asks for one control cycle and its answers. */"
    yield "static inline bool bh_is_step(const bh_link *link)"
    yield "{"
    yield "    return link->played.which == BH_STIMULUS_STEP;"
    yield "}"
    yield END
    yield ""
