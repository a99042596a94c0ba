"""`blockhouse dictionary`: draft one from a log's header row, look one over before it is used, list the roles there are."""

from __future__ import annotations

import argparse
from pathlib import Path

from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.roles import REGISTRY
from protocol.toml_table import line_of
from server.workbench.dictionary_draft import DraftProblem, draft_from_csv
from server.workbench.dictionary_lint import Budget, findings, link_budget
from server.workbench.lint_remark import FAULT


def add_dictionary(parser: argparse.ArgumentParser) -> None:
    """Fill in `dictionary`, with `new`, `check` and `roles`."""
    acts = parser.add_subparsers(required=True, metavar="ACT")
    new = acts.add_parser("new", help="draft one from a log's header row")
    new.add_argument("--from-csv", type=Path, required=True, metavar="FILE", help="a log with a header row")
    new.add_argument("--out", type=Path, metavar="FILE", help="where to write it (default: print it)")
    new.set_defaults(run=draft)
    check = acts.add_parser("check", help="look one over and print its link budget")
    check.add_argument("file", type=Path, metavar="FILE")
    check.set_defaults(run=look_over)
    roles = acts.add_parser("roles", help="list the roles a field can be bound to")
    roles.set_defaults(run=list_roles)


def draft(options: argparse.Namespace) -> int:
    """Draft and print or write; an existing file is never overwritten."""
    text = draft_from_csv(options.from_csv)
    parse_dictionary(text, "the draft")
    if options.out is None:
        print(text, end="")
        return 0
    try:
        with options.out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise DraftProblem(f"{options.out} exists already; a draft overwrites nothing.") from error
    print(options.out)
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
