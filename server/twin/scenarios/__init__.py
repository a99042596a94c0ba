"""The demonstration flights. Each module here defines one `SCENARIO`; adding a file adds a scenario."""

from __future__ import annotations

import importlib
import pkgutil

from server.twin.scenario import Scenario


def scenario_names() -> list[str]:
    """Return the names of all scenarios, the calm one first."""
    names = sorted(module.name.replace("_", "-") for module in pkgutil.iter_modules(__path__))
    return sorted(names, key=lambda name: name != "calm")


def load_scenario(name: str) -> Scenario:
    """Return a scenario by name; an unknown name raises KeyError with the names there are."""
    if name not in scenario_names():
        raise KeyError(f"no scenario named {name!r}; there are: {', '.join(scenario_names())}")
    scenario: Scenario = importlib.import_module(f"{__name__}.{name.replace('-', '_')}").SCENARIO
    return scenario
