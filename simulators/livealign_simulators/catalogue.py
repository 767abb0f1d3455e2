"""The scenarios that are shipped, and those of the person's own."""

from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from livealign.errors import PersonError
from livealign_simulators.scenario import Scenario, parse_scenario, read_scenario

__all__ = ["find_scenario", "scenario_names"]


def scenario_names() -> list[str]:
    """Return the names of the shipped scenarios."""
    return sorted(f.name.removesuffix(".toml") for f in _folder().iterdir() if f.name.endswith(".toml"))


def find_scenario(name: str) -> Scenario:
    """Return a shipped scenario by its name, or one's own by its path.

    Raises:
        PersonError: if there is none.
        ConfigErrors: if something is wrong in it.
    """
    if name in scenario_names():
        text = (_folder() / f"{name}.toml").read_text(encoding="utf-8")
        return parse_scenario(text, f"{name}.toml", Path())
    path = Path(name)
    if not path.exists():
        raise PersonError(
            f"there is no scenario and no file of the name {name!r}",
            advice=f"Scenarios: {', '.join(scenario_names())}.",
        )
    return read_scenario(path)


def _folder() -> Traversable:
    return resources.files("livealign_simulators") / "scenarios"
