"""Every cited entry of tests/SOURCES.md is there, each is cited, and no file names a document that is not here."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import PurePosixPath
from posixpath import normpath

import pytest

from tests.test_layout import ROOT, tracked

SOURCES, ME = "tests/SOURCES.md", "tests/test_sources.py"
CITING = ("protocol", "server", "web", "tests")
# In this file the name is put together, so that it does not find itself.
CITED = re.compile(re.escape(SOURCES) + r"`?,\s+(?:(?:#|//|\*)\s*)?([a-z0-9]+(?:-[a-z0-9]+)*)")
ENTRY = re.compile(r"^### (.+)$", re.MULTILINE)
DOCUMENT = re.compile(r"[\w~./-]*\w\.md\b")
PARTS = ("- **Cited**: ", "- **Source**: ", "- **How**: ")
# Documents that code was once written from and that no reader has; each in two halves, as above.
LOST = re.compile(
    "|".join(one + other for one, other in [("check_", r"values\b"), ("(?i:reliability) ", "(?i:notes|invariant)")])
)


@cache
def texts() -> Mapping[str, str]:
    """Return every text file of the repository by its name."""
    found = {}
    for name in tracked():
        data = (ROOT / name).read_bytes()
        if b"\0" not in data:
            found[name] = data.decode("utf-8", "replace")
    return found


def citations(text: str) -> list[str]:
    """Return the entry that each mention of SOURCES.md names; "" where it names none."""
    return [found[1] if (found := CITED.match(text, at.start())) else "" for at in re.finditer(re.escape(SOURCES), text)]


def missing_documents(place: str, text: str, names: frozenset[str]) -> Iterator[str]:
    """Yield each Markdown document a file names that no reader of the repository can open."""
    folder = PurePosixPath(place).parent
    for cited in DOCUMENT.findall(text):
        plain = str(PurePosixPath(cited.lstrip("/")))
        beside = normpath(folder / plain)
        if not any(name in (plain, beside) or name.endswith("/" + plain) for name in names):
            yield cited
    yield from LOST.findall(text)


def cited_by() -> dict[str, set[str]]:
    """Return the files that cite each entry."""
    found: dict[str, set[str]] = {}
    for name, text in texts().items():
        if name.split("/")[0] in CITING and name not in (SOURCES, ME):
            for entry in citations(text):
                found.setdefault(entry, set()).add(name)
    return found


def test_every_cited_entry_exists_and_every_entry_is_cited() -> None:
    entries = ENTRY.findall(texts()[SOURCES])
    assert len(entries) == len(set(entries)), "an entry stands twice"
    cited = cited_by()
    assert {entry: files for entry, files in cited.items() if entry not in entries} == {}
    assert set(entries) - set(cited) == set()


def test_every_entry_says_what_where_from_and_how() -> None:
    for entry in re.split(r"^### ", texts()[SOURCES], flags=re.MULTILINE)[1:]:
        body = entry.split("\n## ")[0]
        assert tuple(re.findall(r"^- \*\*\w+\*\*: ", body, re.MULTILINE)) == PARTS, entry.splitlines()[0]


def test_no_file_cites_a_document_that_is_not_here() -> None:
    names = frozenset(name for name in texts() if name.endswith(".md"))
    found = {name: list(missing_documents(name, text, names)) for name, text in texts().items() if name != ME}
    assert {name: cited for name, cited in found.items() if cited} == {}


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("# tests/SOURCES.md, coast: m, k", ["coast"]),
        ('"""tests/SOURCES.md, crc-16."""', ["crc-16"]),
        ("the rows of tests/SOURCES.md,\n# rail-exit (by formula)", ["rail-exit"]),
        ("(tests/SOURCES.md, coast; tests/SOURCES.md, coning)", ["coast", "coning"]),
        ("see tests/SOURCES.md for more", [""]),
    ],
)
def test_a_citation_is_read(text: str, named: list[str]) -> None:
    assert citations(text) == named


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("WIRE.md 8, protocol/WIRE.md, [ours](WIRE.md)", []),
        ("[the server](../server/README.md)", []),
        ("hashlib.md5(data)", []),
        ("as in handbook.md, section 3", ["handbook.md"]),
        ("see docs/WIRE.md", ["docs/WIRE.md"]),
        ("# check_" + "values 5.1", ["check_" + "values"]),
        ("Reliability " + "notes 3.1", ["Reliability " + "notes"]),
    ],
)
def test_a_document_that_is_not_here_is_seen(text: str, missing: list[str]) -> None:
    assert list(missing_documents("protocol/link.py", text, frozenset({"protocol/WIRE.md", "server/README.md"}))) == missing
