"""What must agree between several `[[growth]]` tables, with the distances, and between sizes of shims."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Any, TypeAlias

from livealign.config.document import Document, tables_in
from livealign.config.problems import ConfigError, closest
from livealign.config.toml_lines import TomlPath

__all__ = ["growth_points", "growth_problems", "shim_problems"]

_Table: TypeAlias = tuple[TomlPath, dict[str, Any]]

_AT_PLANES = ("temperatures", "rise")


def growth_points(doc: Document) -> set[str]:
    """Return the points that growth is given at."""
    return {table["at"] for _, table in doc.tables("growth") if isinstance(table.get("at"), str)}


def growth_problems(doc: Document, points: Iterable[str], coupling: str) -> list[ConfigError]:
    """Return what does not agree within the growth of a job file, or with its points.

    Args:
        doc: the job file.
        points: along the shafts that distances or feet name.
        coupling: name of the coupling's centre.
    """
    known = sorted({*points} - {coupling})
    by_machine = defaultdict[str, list[_Table]](list)
    errors: list[ConfigError] = []
    for path, table in doc.tables("growth"):
        by_machine[str(table.get("machine"))].append((path, table))
        errors += _place_problems(doc, path, table, known, coupling)
        if table.get("given") == "temperatures":
            errors += _material_problems(doc, path, table)
    for machine in ("stationary", "movable"):
        errors += _machine_problems(doc, machine, by_machine[machine])
    return errors


def _place_problems(
    doc: Document, path: TomlPath, table: dict[str, Any], known: list[str], coupling: str
) -> Iterator[ConfigError]:
    at = table.get("at")
    if not isinstance(at, str) or table.get("given") not in _AT_PLANES:
        return
    if at == coupling:
        message = 'growth at the coupling is given with given = "coupling", offset and slope'
        yield doc.error((*path, "at"), message, found=at)
    elif at not in known:
        near = closest(at, known)
        hint = f'did you mean "{near}"?' if near else "add a [[distances]] table that leads to it"
        yield doc.error((*path, "at"), f'no distance leads to "{at}"; {hint}', found=at)


def _material_problems(doc: Document, path: TomlPath, table: dict[str, Any]) -> Iterator[ConfigError]:
    named, stated = "material" in table, "expansion_um_per_m_k" in table
    if named and stated:
        message = "stands beside material; both tell how much it grows, so give one of them"
        yield doc.error((*path, "expansion_um_per_m_k"), message, found=table["expansion_um_per_m_k"])
    if not named and not stated:
        yield doc.error(path, "needs material, or expansion_um_per_m_k for one that is not listed")


def _machine_problems(doc: Document, machine: str, tables: list[_Table]) -> Iterator[ConfigError]:
    whole = [path for path, table in tables if table.get("given") == "coupling"]
    planes = [(path, table.get("at")) for path, table in tables if table.get("given") in _AT_PLANES]
    if whole and (planes or len(whole) > 1):
        where = f"line {doc.lines.of(whole[0])}"
        message = (
            f"the {machine} machine's growth is given at the coupling already ({where}); keep one of the two"
        )
        yield from (doc.error(path, message) for path in [*whole[1:], *(p for p, _ in planes)])
        return
    seen = set[object]()
    for path, at in planes:
        if at in seen:
            yield doc.error(
                (*path, "at"), f'the {machine} machine\'s growth at "{at}" is given twice', found=at
            )
        seen.add(at)
    if len(seen) == 1:
        message = (
            f"the {machine} machine's growth is given at one plane only, which gives no slope; give it at a second one, "
            'or with given = "coupling"'
        )
        yield doc.error(planes[0][0], message)


def shim_problems(doc: Document) -> Iterator[ConfigError]:
    """Yield sizes of shims that are listed twice."""
    table = doc.data.get("shims")
    first = dict[float, TomlPath]()
    for path, size in tables_in(table.get("sizes") if isinstance(table, dict) else None, ("shims", "sizes")):
        thickness = size.get("thickness")
        if not isinstance(thickness, int | float):
            continue
        if thickness in first:
            message = (
                f"this size stands on line {doc.lines.of(first[thickness])} already; add the counts up there"
            )
            yield doc.error((*path, "thickness"), message, found=thickness)
        first.setdefault(thickness, path)
