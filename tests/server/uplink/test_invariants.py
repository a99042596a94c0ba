"""INVARIANTS.md and the tests say the same: every invariant has tests, they exist, and name its number."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import server.uplink

ROOT = Path(__file__).parents[3]
LIST = Path(server.uplink.__file__).with_name("INVARIANTS.md").read_text("utf-8")
PARTS = {part[1]: part[0] for part in re.finditer(r"^- \*\*(I\d+)\*\* .+?(?=^- \*\*|^## )", LIST, re.MULTILINE | re.DOTALL)}
HELD_BY = {number: re.findall(r"^  - `(\S+?)::(.+)`$", part, re.MULTILINE) for number, part in PARTS.items()}


def numbers_said(path: Path) -> dict[str, set[str]]:
    """Return for each test of a file the invariants its name or docstring names."""
    text = path.read_text("utf-8")
    if path.suffix == ".js":
        return {title: set(re.findall(r"\bI\d+\b", title)) for title in re.findall(r'^test\("(.+?)",', text, re.MULTILINE)}
    tests = (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef))
    said = {test.name: f"{test.name.replace('test_i', 'I')} {ast.get_docstring(test) or ''}" for test in tests}
    return {name: set(re.findall(r"\bI\d+(?=\b|_)", words)) for name, words in said.items()}


def test_there_are_twenty_each_one_sentence_with_tests() -> None:
    assert list(PARTS) == [f"I{n}" for n in range(1, 21)]
    assert all(HELD_BY.values())


@pytest.mark.parametrize("number", PARTS)
def test_each_test_listed_is_there_and_names_the_invariant(number: str) -> None:
    for file, name in HELD_BY[number]:
        assert number in numbers_said(ROOT / file)[name], f"{file}::{name}"


def test_no_test_names_an_invariant_that_is_not_listed() -> None:
    for path in sorted((ROOT / "tests" / "server").rglob("test_*.py")):
        for name, numbers in numbers_said(path).items():
            assert numbers <= set(PARTS), f"{path.name}::{name}"
