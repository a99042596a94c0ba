"""`blockhouse dictionary`: draft one from a flight's logs, look one over before it is used, list the roles there are."""

from __future__ import annotations

import argparse
from pathlib import Path

from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.roles import REGISTRY
from protocol.toml_table import line_of
from server.cli.shared import say
from server.logs.text_log import unit_of
from server.version import software
from server.workbench.dictionary_draft import DraftProblem, draft_from_logs
from server.workbench.dictionary_lint import Budget, findings, link_budget
from server.workbench.lint_remark import FAULT
from server.workbench.log_flight import record_log


def add_dictionary(parser: argparse.ArgumentParser) -> None:
    """Fill in `dictionary`, with `new`, `check` and `roles`."""
    acts = parser.add_subparsers(required=True, metavar="ACT")
    new = acts.add_parser("new", help="draft one from the log of a flight")
    _add_logs(new)
    new.add_argument("--out", type=Path, metavar="FILE", help="where to write it (default: print it)")
    new.add_argument("--fly", type=Path, metavar="DIR", help="also write the logs as a session into this folder")
    new.set_defaults(run=draft)
    fly = acts.add_parser("fly", help="write the logs a dictionary was drafted from as a session")
    fly.add_argument("file", type=Path, metavar="FILE", help="the dictionary, as its owner corrected it")
    _add_logs(fly)
    fly.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder of the session")
    fly.set_defaults(run=fly_log)
    check = acts.add_parser("check", help="look one over and print its link budget")
    check.add_argument("file", type=Path, metavar="FILE")
    check.set_defaults(run=look_over)
    roles = acts.add_parser("roles", help="list the roles a field can be bound to")
    roles.set_defaults(run=list_roles)


def _add_logs(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--from-csv", type=Path, nargs="+", required=True, metavar="FILE", help="the logs of one flight")
    parser.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="NAME=ROLE[,UNIT]",
        help="what a column is, by heading or number: a role, or time; NAME= leaves it without one",
    )


def told_columns(given: list[str]) -> dict[str, tuple[str, str]]:
    """Return (role, unit) by column from words like "alt=altitude_baro,ft"; raises DraftProblem."""
    told = {}
    for one in given:
        name, equals, rest = one.rpartition("=")
        if not equals or not name:
            raise DraftProblem(f"{one!r} is not NAME=ROLE or NAME=ROLE,UNIT.")
        role, _, unit = rest.partition(",")
        if unit and not unit_of(unit):
            raise DraftProblem(f"The unit {unit!r} of column {name!r} is not known.")
        told[name] = (role.strip(), unit_of(unit))
    return told


def draft(options: argparse.Namespace) -> int:
    """Draft and print or write; an existing file is never overwritten."""
    made = draft_from_logs(options.from_csv, told_columns(options.column))
    parse_dictionary(made.text, "the draft")
    if options.out is None:
        print(made.text, end="")  # its first lines say what was taken for granted and what is not known
    else:
        for one in made.assumed:
            say(f"Taken for granted: {one}.")
        for one in made.unknown:
            say(f"Not known: {one}.")
        try:
            with options.out.open("x", encoding="utf-8") as file:
                file.write(made.text)
        except FileExistsError as error:
            raise DraftProblem(f"{options.out} exists already; a draft overwrites nothing.") from error
        print(options.out)
    if options.fly is not None:
        print(record_log(made, made.text, options.fly, software()))
    return 0


def fly_log(options: argparse.Namespace) -> int:
    """Write a session of the logs a corrected draft was made from."""
    dictionary = load_dictionary(options.file)
    made = draft_from_logs(options.from_csv, told_columns(options.column))
    for packet in made.packets:
        described = dictionary.packets.get(packet.name)
        names = [one.name for one in described.fields] if described is not None else []
        if names != [one.name for one in packet.fields]:
            raise DraftProblem(
                f"{options.file.name} has no packet {packet.name} with the columns of {packet.table.path.name}."
            )
    print(record_log(made, dictionary.text, options.out, software()))
    return 0


def look_over(options: argparse.Namespace) -> int:
    """Print budget and findings; returns 1 when something will not work."""
    dictionary = load_dictionary(options.file)
    counts = f"{len(dictionary.packets)} packets, {len(dictionary.commands)} commands"
    print(f"{dictionary.name} {dictionary.version}: {counts}, hash {dictionary.hash32:08x}")
    print(budget_text(link_budget(dictionary)))
    found = list(findings(dictionary))
    for finding in found:
        line = line_of(dictionary.text, finding.place)
        print(f"{finding.severity}: {finding.place}{f' (line {line})' if line else ''}: {finding.text}")
    if not found:
        print("nothing found")
    return 1 if any(finding.severity == FAULT for finding in found) else 0


def list_roles(options: argparse.Namespace) -> int:
    """Print the registry of roles."""
    for one in REGISTRY:
        unit = f" in {one.unit}" if one.unit not in ("", "1") else ""
        print(f"{one.pattern}\n    {one.shape}{unit}: {one.meaning}; used by: {one.used_by} (since {one.since})")
        if one.without:
            print(f"    without it: {one.without}")
    return 0


def budget_text(budget: Budget) -> str:
    """Return the link budget as a table."""
    about = "about " if budget.estimated else ""
    lines = [f"{'packet':16} {'bytes':>6} {'per s':>7} {'bytes/s':>8}"]
    for name, size, rate in budget.packets:
        lines.append(f"{name:16} {size:6} {rate:7g} {size * rate:8.0f}")
    load = 100.0 * budget.total / budget.capacity
    lines.append(f"{'all':16} {'':6} {'':7} {budget.total:8.0f}  {about}{load:.0f} % of the modem's {budget.capacity:.0f}")
    return "\n".join(lines)
