"""What every weighing does with a sheet: read the pieces it is held against, and write lines for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from server.design.as_weighed import Bare, bare
from server.design.configuration import ConfigurationProblem
from server.design.configuration_sheet import configuration_of
from server.design.sheet_files import load_sheets
from server.problems import Problem, reason

Sheet = Mapping[str, object]


class OutProblem(Problem):
    """What was asked to be written cannot be; the text is one plain sentence."""


def sheets_of(file: Path | None, kept: tuple[Sheet, Sheet] = ({}, {})) -> tuple[Sheet, Sheet]:
    """Return the vehicle's and the site's sheet: of the file, else those a recording kept."""
    if file is None:
        return kept
    sheets = load_sheets(file, False)
    return sheets.vehicle, sheets.site


def pieces_of(vehicle: Sheet, taken_out: Sequence[str]) -> Bare | None:
    """Return the vehicle as weighed by its sheet's pieces, None where it lists none. Raises PieceProblem."""
    try:
        configuration = configuration_of(vehicle)
    except ConfigurationProblem:
        return None
    return None if configuration is None else bare(configuration, taken_out)


def write_new(path: Path, text: str) -> str:
    """Write a file that must not be there yet; return a sentence that says so. Raises OutProblem."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise OutProblem(f"{path} exists already; nothing is overwritten.") from error
    except OSError as error:
        raise OutProblem(f"{path} cannot be written: {reason(error)}.") from error
    return f"Written to {path}."
