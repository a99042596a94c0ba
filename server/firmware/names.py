"""Names and texts of a dictionary turned into what C and C++ accept.

A dictionary's names are its owner's words; what they become must collide neither with the languages, nor with the headers a
board's code includes, nor with the library's own names, nor with each other. What would collide gets an underscore (members)
or a number (everything else) behind it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import cache
from importlib import resources

from protocol.dictionary import Dictionary
from protocol.identity import BUILDS, IDENTITY_NAME
from protocol.rehearsal import REHEARSAL_NAME, firing_channels

# Words of C99..C23 and of C++11..C++20 that no member may be called by (ISO/IEC 9899 6.4.1; ISO/IEC 14882 [lex.key]), as
# far as a dictionary's lower-case names can collide with them.
KEYWORDS = frozenset(
    "alignas alignof and and_eq asm auto bitand bitor bool break case catch char char16_t char32_t char8_t class co_await "
    "co_return co_yield compl concept const const_cast consteval constexpr constinit continue decltype default delete do "
    "double dynamic_cast else enum explicit export extern false float for friend goto if inline int long mutable namespace "
    "new noexcept not not_eq nullptr operator or or_eq private protected public register reinterpret_cast requires restrict "
    "return short signed sizeof static static_assert static_cast struct switch template this thread_local throw true try "
    "typedef typeid typename typeof typeof_unqual union unsigned using virtual void volatile wchar_t while xor "
    "xor_eq".split()
)
# Lower-case macros without arguments of the compilers and of common headers: the preprocessor knows no members. (Macros with
# arguments do no harm: no member is followed by a parenthesis.)
MACROS = frozenset(
    "arm avr cdecl complex d_fileno environ errno far fd_set h_addr h_errno huge i386 interface linux "
    "math_errhandling mips near noreturn pascal physadr powerpc ppc quad s6_addr s6_addr16 s6_addr32 s_addr "
    "sa_handler sa_sigaction sched_priority si_addr si_addr_lsb si_arch si_band si_call_addr si_fd si_int si_lower "
    "si_overrun si_pid si_pkey si_ptr si_status si_stime si_syscall si_timerid si_uid si_upper si_utime si_value "
    "sigev_notify_attributes sigev_notify_function signgam small sparc st_atime st_ctime st_mtime stderr stdin stdout "
    "strtodf sun tzname unix vax".split()
)
# Types that the structs name: a member of that name would change its meaning for those after it (C++ [basic.scope.class]).
TYPES = frozenset(
    ["size_t", "ptrdiff_t", "max_align_t", "nullptr_t", *(f"{u}int{n}_t" for u in ("", "u") for n in (8, 16, 32, 64))]
)
RESERVED = KEYWORDS | MACROS | TYPES

LIBRARY = (
    "bh_wire.h",
    "bh_wire.c",
    "bh_fields.c",
    "bh_link.h",
    "bh_link.c",
    "bh_rehearsal.h",
    "bh_rehearsal.c",
    "bh_starts.h",
    "bh_starts.c",
    "bh_feed.h",
)
# What the generated header calls its own things; the library's own names are read out of its text.
HEADER_NAMES = frozenset(
    "BH_PACKET_COUNT BH_PACKET_END BH_COMMAND_COUNT BH_ARGUMENT_COUNT BH_HEARS BH_VEHICLE_ID BH_DICTIONARY_HASH "
    "BH_DICTIONARY_NAME BH_FLOAT_MEMBERS BH_HAS_24 BH_HAS_SCALED_64 BH_HAS_HALF "
    "BH_CHANNEL_COUNT BH_LATERAL_COUNT BH_STIMULI BH_STIMULUS_COUNT BH_STIMULUS_END BH_STIMULUS_STEP BH_REHEARSAL "
    "BH_REHEARSAL_ENTER BH_REHEARSAL_LEAVE BH_REHEARSAL_SIMULATOR BH_REHEARSAL_CHANNEL BH_REHEARSAL_PERIOD_MS "
    "BH_REHEARSAL_KEEP_ALIVE_MS BH_REHEARSAL_SIMULATORS_MS bh_any_stimulus bh_stimulus_calls bh_play bh_is_step "
    "BH_HAS_LITTLE BH_HAS_NUMBER_GROUPS BH_RADIO_FRAME_MAX BH_LISTEN_EVERY_MS BH_LISTEN_FOR_MS bh_may_send "
    "bh_any_packet bh_args bh_packets bh_scales bh_commands bh_all_limits bh_arguments".split()
)
# Packets whose struct and number the library itself uses, by these very names; in a rehearsal one more.
LIBRARY_PACKETS = ("answer", IDENTITY_NAME)


def member_name(name: str) -> str:
    """Return a channel's or argument's name as a struct member: with an underscore behind it if something else has it."""
    return f"{name}_" if name in RESERVED or name.startswith("bh_") else name


def member_names(names: Iterable[str], taken: Iterable[str] = ()) -> dict[str, str]:
    """Return the members of one struct by the dictionary's names, each once and none of `taken`."""
    wanted = list(names)
    used = set(taken)
    out = {}
    for name in sorted(wanted, key=lambda name: member_name(name) != name):  # who may keep its name goes first
        member = member_name(name)
        while member in used:
            member += "_"
        used.add(member)
        out[name] = member
    return {name: out[name] for name in wanted}


def constant_name(*parts: str) -> str:
    """Return BH_PART_PART in capitals; whatever is no letter or digit becomes one underscore."""
    words = [re.sub(r"[^A-Z0-9]+", "_", part.upper()).strip("_") for part in parts]
    return "_".join(["BH", *(word or "X" for word in words)])


@cache
def library_names() -> frozenset[str]:
    """Return every name that the library's files use and a dictionary's must not get."""
    folder = resources.files("server.firmware").joinpath("c")
    text = "\n".join(folder.joinpath(name).read_text("utf-8") for name in LIBRARY)
    found = frozenset(re.findall(r"\b(?:bh|BH)_\w+", text))
    return found | HEADER_NAMES


class Constants:
    """Gives out names once each; a name already given gets a number behind it."""

    def __init__(self, taken: Iterable[str] = ()) -> None:
        self._given: set[str] = set(taken)

    def take(self, *parts: str) -> str:
        """Return a constant for `parts` that nothing else has."""
        wanted = name = constant_name(*parts)
        number = 2
        while name in self._given:
            name, number = f"{wanted}_{number}", number + 1
        self._given.add(name)
        return name

    def free(self, *names: str) -> bool:
        """Tell whether nothing has any of `names`."""
        return self._given.isdisjoint(names)

    def claim(self, *names: str) -> None:
        """Give `names` as they are to whom they belong."""
        self._given.update(names)

    def stem(self, name: str, derived: Callable[[str], tuple[str, ...]]) -> str:
        """Return `name`, or with a number behind it, such that nothing else has any of the names derived from it."""
        stem, number = name, 2
        while not self.free(*derived(stem)):
            stem, number = f"{name}_{number}", number + 1
        self._given.update(derived(stem))
        return stem


def packet_names(stem: str) -> tuple[str, ...]:
    """Return every name made for one packet."""
    return (
        constant_name("packet", stem),
        constant_name(stem, "period_ms"),
        f"bh_{stem}_packet",
        f"bh_encode_{stem}",
    )


def command_names(stem: str) -> tuple[str, ...]:
    """Return every name made for one command."""
    return constant_name("command", stem), f"bh_{stem}_args"


def stimulus_names(stem: str) -> tuple[str, ...]:
    """Return every name made for one stimulus."""
    return constant_name("stimulus", stem), f"bh_{stem}_stimulus"


class Names:
    """The C names of one dictionary's packets and commands (as stems) and of the words in its answers."""

    def __init__(self, dictionary: Dictionary, words: Iterable[tuple[str, str]] = ()) -> None:
        """`words` are the (field, text) pairs of the answer packet that the library itself uses by their plain names."""
        given = Constants(library_names())
        packets = list(dictionary.packets)
        librarys = LIBRARY_PACKETS if dictionary.rehearsal is None else (*LIBRARY_PACKETS, REHEARSAL_NAME)
        for name in librarys:
            given.claim(*packet_names(name))
        plain = {pair: constant_name(*pair) for pair in words}
        given.claim(*plain.values())
        for text in (*BUILDS, "end"):
            given.claim(constant_name(IDENTITY_NAME, "build", text))
        lateral, recovery = firing_channels(dictionary.roles)
        self.firing = {place: given.take(*place.removesuffix("]").split("[")) for place in (*lateral, *recovery)}
        own = [name for name in packets if name not in librarys]
        self.packets = _stems(given, own, packet_names) | {name: name for name in librarys if name in packets}
        self.stimuli = _stems(given, list(dictionary.stimuli), stimulus_names)
        self.stimulus_members = member_names(dictionary.stimuli)
        self.commands = _stems(given, list(dictionary.commands), command_names)
        self.packet_members = member_names(packets)
        self.command_members = member_names(dictionary.commands, ["none"])
        self.enums: dict[str, tuple[str, ...]] = {}  # by the channel's path: of each text, and of their end
        for packet in dictionary.packets.values():
            for channel in packet.channels:
                if channel.values and packet.name == "answer":
                    pairs = [(channel.name, text) for text in channel.values]
                    known = [plain.pop(pair, "") for pair in pairs]  # each once: a text may stand there twice
                    self.enums[channel.path] = tuple(n or given.take(*pair) for n, pair in zip(known, pairs, strict=True))
                elif channel.values and packet.name in librarys:
                    texts = [*channel.values, "end"]
                    self.enums[channel.path] = tuple(constant_name(packet.name, channel.name, text) for text in texts)
                elif channel.values:
                    texts = [*channel.values, "end"]
                    self.enums[channel.path] = tuple(
                        given.take(packet.name, channel.name, text) if text else "" for text in texts
                    )


def _stems(given: Constants, names: list[str], derived: Callable[[str], tuple[str, ...]]) -> dict[str, str]:
    """Return the stem of each name; a name that collides with nothing keeps it whatever the others are called."""
    stems = {name: given.stem(name, derived) for name in names if given.free(*derived(name))}
    return stems | {name: given.stem(name, derived) for name in names if name not in stems}


def comment_text(text: str) -> str:
    """Return a text that can stand inside a C comment: one line, no comment marks."""
    line = " ".join(text.split())
    return line.replace("*/", "* /").replace("/*", "/ *").replace("??", "? ?")


def string_literal(text: str) -> str:
    """Return a C string literal of the UTF-8 bytes of `text`."""
    out = []
    for octet in text.encode("utf-8"):
        plain = 32 <= octet < 127 and chr(octet) not in '"\\?'
        out.append(chr(octet) if plain else f"\\{octet:03o}")
    return '"' + "".join(out) + '"'
