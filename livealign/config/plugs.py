"""The links' drivers and formats against what is installed; each one's settings against its own model."""

from collections.abc import Callable
from typing import Any

from livealign.config.document import Document, validated
from livealign.config.problems import ConfigError, closest
from livealign.config.toml_lines import TomlPath
from livealign.errors import PersonError
from livealign.stream import registry
from livealign.stream.contracts import Driver, Format

__all__ = ["plug_problems"]


def plug_problems(doc: Document) -> list[ConfigError]:
    """Return what is wrong with the drivers and formats that a rig file names.

    Where none are installed at all, nothing can be known and nothing is said.
    """
    drivers, formats = registry.driver_names(), registry.format_names()
    errors = []
    for path, link in doc.tables("links"):
        errors += _problems(doc, (*path, "driver"), link.get("driver"), drivers, registry.driver_class)
        errors += _problems(doc, (*path, "format"), link.get("format"), formats, registry.format_class)
    return errors


def _problems(
    doc: Document,
    path: TomlPath,
    table: object,
    installed: list[str],
    load: Callable[[str], type[Driver] | type[Format]],
) -> list[ConfigError]:
    kind = table.get("kind") if isinstance(table, dict) else None
    if not (isinstance(table, dict) and isinstance(kind, str) and installed):
        return []
    what = str(path[-1])
    if kind not in installed:
        near = closest(kind, installed)
        hint = f'did you mean "{near}"? Installed' if near else "installed"
        message = f'no {what} is called "{kind}"; {hint}: {", ".join(installed)}'
        return [doc.error((*path, "kind"), message, found=kind, allowed=", ".join(installed))]
    try:
        model = load(kind).options_model
    except PersonError as e:
        return [doc.error((*path, "kind"), f"{e.what}; {e.advice}", found=kind)]
    settings: dict[str, Any] = {key: value for key, value in table.items() if key != "kind"}
    return validated(model, doc, settings, path)[1]
