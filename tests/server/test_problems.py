"""Every failure that is one plain sentence has one base, so that an edge catches it by one name."""

from __future__ import annotations

import inspect
import pkgutil
from collections.abc import Iterator
from importlib import import_module

import pytest

import protocol
import server
from protocol import errors
from server import problems
from server.cli import cli

# Failures inside one layer, turned into an event or into a sentence before a person hears of them.
INNER = {
    "protocol.errors.ShortBuffer",
    "protocol.foreign.lines.Unreadable",
    "server.design.goals.GoalFault",
    "server.design.site_map.MapFault",
    "server.recording.session_header.HeaderFault",
    "server.rehearsal.track_file.TrackFault",
}
NAMED_LIKE_A_FAILURE = ("Problem", "Error", "Failed", "Refused")


def classes() -> Iterator[type]:
    """Yield every class that a module of ours defines."""
    for package in (protocol, server):
        for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if found.name.endswith("__main__"):
                continue
            module = import_module(found.name)
            yield from (one for _, one in inspect.getmembers(module, inspect.isclass) if one.__module__ == found.name)


def full_name(one: type) -> str:
    """Return module and name of a class."""
    return f"{one.__module__}.{one.__qualname__}"


EVERY = {full_name(one): one for one in classes()}


def test_every_failure_is_a_problem() -> None:
    failures = {name for name, one in EVERY.items() if issubclass(one, BaseException)}
    named = {name for name in EVERY if name.endswith(NAMED_LIKE_A_FAILURE)}
    assert len(failures) > 20, "the classes are not found"
    assert {name for name in failures | named if not issubclass(EVERY[name], problems.Problem)} == INNER


def test_the_base_is_one() -> None:
    assert problems.Problem is errors.Problem
    assert issubclass(errors.DictionaryError, errors.Problem) and issubclass(errors.ValueRefused, errors.Problem)


def test_the_command_line_says_any_of_them_in_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class NobodyKnows(problems.Problem):
        """A failure that the command line was never told of."""

    def refuse() -> list[object]:
        raise NobodyKnows("It is not there.")

    monkeypatch.setattr("server.bridge.ports.found_ports", refuse)
    monkeypatch.setattr(cli, "found_ports", refuse, raising=False)
    assert cli.main(["ports"]) == 1
    assert capsys.readouterr().err == "blockhouse: It is not there.\n"
