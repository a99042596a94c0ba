"""Where things live and what was asked for: read once at the edge, passed down as values."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from platformdirs import user_config_path, user_data_path

from server.problems import SettingsProblem

APPLICATION = "blockhouse"
DEFAULT_HTTP_PORT = 8731
UNITS = ("metric", "imperial")


@dataclass(frozen=True)
class Settings:
    """Folders and the address to serve on."""

    sessions: Path
    keys: Path
    host: str = "127.0.0.1"
    http_port: int = DEFAULT_HTTP_PORT
    share: str | None = None  # the address phones may watch by
    share_desk: bool = False
    certificate: tuple[Path, Path] | None = None  # certificate and its key, for HTTPS
    units: str = UNITS[0]  # what a page reads in until its person chooses


def default_folders(environment: Mapping[str, str] = os.environ) -> tuple[Path, Path]:
    """Return (sessions, keys): below BLOCKHOUSE_HOME when that is set, else where the system keeps such things."""
    home = environment.get("BLOCKHOUSE_HOME")
    if home:
        return Path(home) / "sessions", Path(home) / "keys"
    return user_data_path(APPLICATION) / "sessions", user_config_path(APPLICATION)


def settings_file(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the file in which a person keeps choices; it need not exist."""
    home = environment.get("BLOCKHOUSE_HOME")
    return (Path(home) if home else user_config_path(APPLICATION)) / "settings.toml"


def person_units(environment: Mapping[str, str] = os.environ) -> str:
    """Return the units a person reads by the settings file, "metric" or "imperial" (`[person]`, `units`); metric without.

    Raises SettingsProblem.
    """
    file = settings_file(environment)
    try:
        read = tomllib.loads(file.read_text("utf-8"))
    except FileNotFoundError:
        return UNITS[0]
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsProblem(f"The settings {file} cannot be read: {error}.") from error
    person = read.get("person", {})
    chosen = person.get("units", UNITS[0]) if isinstance(person, Mapping) else None
    if chosen not in UNITS:
        raise SettingsProblem(f"The settings {file}: [person] units is {' or '.join(UNITS)}.")
    return str(chosen)


def page_folder() -> Path:
    """Return the folder of the page's own files."""
    return _package_folder("web")


def chart_folder() -> Path:
    """Return the folder of the chart script and its style inside the installed youplot, without importing that package."""
    return _package_folder("youplot") / "vendor"


def _package_folder(name: str) -> Path:
    spec = find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        raise SettingsProblem(f"The files of '{name}' are not installed; install Blockhouse again.")
    return Path(next(iter(spec.submodule_search_locations)))


def sample_folder() -> Path:
    """Return the folder of the small sample sessions."""
    return _package_folder("replay_samples")


def copies_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the second place of the counters: with the user's data, not with the settings, the same for every session."""
    return default_folders(environment)[0].parent / "counters"
