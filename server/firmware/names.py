"""Names and texts of a dictionary turned into what C and C++ accept."""

from __future__ import annotations

import re

# Words of C99 and of C++ that no member may be called by (ISO/IEC 9899:1999 6.4.1; ISO/IEC 14882:2011 2.12), as far as
# a dictionary's lower-case names can collide with them.
RESERVED = frozenset(
    "alignas alignof and and_eq asm auto bitand bitor bool break case catch char class compl const constexpr continue "
    "decltype default delete do double else enum explicit export extern false float for friend goto if inline int long "
    "mutable namespace new noexcept not not_eq nullptr operator or or_eq private protected public register "
    "reinterpret_cast restrict return short signed sizeof static static_assert static_cast struct switch template this "
    "thread_local throw true try typedef typeid typename union unsigned using virtual void volatile wchar_t while xor "
    "xor_eq const_cast dynamic_cast".split()
)


def member_name(name: str) -> str:
    """Return a channel's or argument's name as a struct member: with an underscore behind it if it is a word of C."""
    return f"{name}_" if name in RESERVED else name


def constant_name(*parts: str) -> str:
    """Return BH_PART_PART in capitals; whatever is no letter or digit becomes one underscore."""
    words = [re.sub(r"[^A-Z0-9]+", "_", part.upper()).strip("_") for part in parts]
    return "_".join(["BH", *(word or "X" for word in words)])


class Constants:
    """Gives out constant names once each; a name already given gets a number behind it."""

    def __init__(self) -> None:
        self._given: set[str] = set()

    def take(self, *parts: str) -> str:
        """Return a name for `parts` that nothing else has."""
        wanted = name = constant_name(*parts)
        number = 2
        while name in self._given:
            name, number = f"{wanted}_{number}", number + 1
        self._given.add(name)
        return name


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
