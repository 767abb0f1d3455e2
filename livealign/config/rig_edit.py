"""Writes values into a rig file; comments, order and everything else stay as the person wrote them."""

import contextlib
import copy
import difflib
import os
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from livealign.config.document import read_text
from livealign.config.load import parse_rig
from livealign.config.rig import Calibration
from livealign.errors import PersonError

__all__ = ["Change", "changed", "difference", "replace_text"]

_MOST_KEPT = 20
"""Calibrations in one table, as `config.rig` allows."""


@dataclass(frozen=True)
class Change:
    """New values in the table of a detector, or of a head's angle sensor."""

    head: str
    detector: str | None
    """None: the angle sensor."""
    values: Mapping[str, Any]
    """By key, as TOML has them; None takes the key away."""
    calibrations: Sequence[Calibration] = field(default=())
    """Entries to add."""


def changed(text: str, changes: Sequence[Change], where: str) -> str:
    """Return the text of a rig file with changes made in it, checked as any rig file is.

    Args:
        text: the file as it stands.
        changes: what to write.
        where: the file's name, for messages.

    Raises:
        ConfigErrors: if the file, or what would become of it, is wrong.
        PersonError: if a head or detector is not there, or the file is written in a way that cannot be edited safely.
    """
    parse_rig(text, where)
    expected = tomllib.loads(text)
    try:
        document: Any = tomlkit.parse(text)
        for change in changes:
            _apply(_table(document, change, where), change)
            _apply_plain(_table(expected, change, where), change)
        result = tomlkit.dumps(document)
        same = tomllib.loads(result) == expected
    except (TOMLKitError, tomllib.TOMLDecodeError) as e:
        raise _unsafe(where, changes) from e
    if not same:
        raise _unsafe(where, changes)
    parse_rig(result, f"{where}, as it would become")
    return result


def _unsafe(where: str, changes: Sequence[Change]) -> PersonError:
    lines = [
        f"{change.head}, {change.detector or 'angle'}: {key} = {'(take it away)' if value is None else value}"
        for change in changes
        for key, value in change.values.items()
    ]
    return PersonError(
        "the file is written in a way that cannot be changed safely",
        where=where,
        advice="Write this into it by hand: " + "; ".join(lines),
    )


def _table(document: Any, change: Change, where: str) -> Any:
    head = next((h for h in document["heads"] if h["name"] == change.head), None)
    if head is None:
        raise PersonError(f'there is no head "{change.head}"', where=where)
    if change.detector is None:
        if "angle" not in head:
            raise PersonError(f'head "{change.head}" has no angle sensor', where=where)
        return head["angle"]
    for detector in head.get("detectors", ()):
        if detector.get("name", "position") == change.detector:
            return detector
    raise PersonError(f'head "{change.head}" has no detector "{change.detector}"', where=where)


def _apply(table: Any, change: Change) -> None:
    for key, value in change.values.items():
        if value is None:
            if key in table:
                del table[key]
        else:
            table[key] = _item(value)
    if not change.calibrations:
        return
    log = table.get("calibrations")
    if log is None:
        log = tomlkit.array()
        log.multiline(multiline=True)
        table["calibrations"] = log
        log = table["calibrations"]
    for entry in change.calibrations:
        while len(log) >= _MOST_KEPT:
            del log[0]
        log.append(_entry(entry, inline=not isinstance(log, AoT)))


def _entry(entry: Calibration, *, inline: bool) -> Any:
    table: Any = tomlkit.inline_table() if inline else tomlkit.table()
    for key, value in _plain(entry).items():
        table[key] = value
    return table


def _item(value: Any) -> Any:
    """A table inside a table is written inline, on one line."""
    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        for key, inner in value.items():
            table[key] = inner
        return table
    return value


def _apply_plain(table: dict[str, Any], change: Change) -> None:
    """Do the same to plain values, for comparison."""
    for key, value in change.values.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = copy.deepcopy(value)
    if change.calibrations:
        log = [*table.get("calibrations", []), *map(_plain, change.calibrations)]
        table["calibrations"] = log[-_MOST_KEPT:]


def _plain(entry: Calibration) -> dict[str, Any]:
    return entry.model_dump(exclude_defaults=True)


def difference(before: str, after: str) -> list[str]:
    """Return the lines that change, those of before with -, those of after with +."""
    lines = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
    return [line for line in list(lines)[2:] if not line.startswith("@@")]


def replace_text(path: Path, before: str, after: str) -> None:
    """Put a new text in a file's place, whole or not at all.

    Raises:
        PersonError: if the file is no longer what it was, or cannot be written.
    """
    path = path.resolve()  # a link stays a link
    if read_text(path) != before:
        raise PersonError(
            "it was changed by somebody else meanwhile, so nothing was written",
            where=str(path),
            advice="Begin again.",
        )
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="") as f:
                f.write(after)
                f.flush()
                os.fsync(f.fileno())
            Path(name).chmod(path.stat().st_mode & 0o7777)
            Path(name).replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                Path(name).unlink()
            raise
    except OSError as e:
        raise PersonError(
            f"cannot be written: {e.strerror or e}",
            where=str(path),
            advice="Nothing was changed; check the rights of the file and its folder.",
        ) from e
