"""What a key takes, in words, read from the model it is checked against."""

import types
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from livealign.config.rig import AXIS_PATTERN, NAME_PATTERN

__all__ = ["Place", "place"]

_PATTERNS = {
    NAME_PATTERN: "letters, digits, spaces, _ . and -, a letter or digit first",
    AXIS_PATTERN: "a field's name, with a - before it if it grows the other way",
}
_PLAIN = {
    float: "a number",
    int: "a whole number",
    str: "text in quotes",
    bool: "true or false",
    Path: "text in quotes",
    date: "a date such as 2026-05-31, without quotes",
}


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the file a model's complaint belongs, and what may stand there."""

    path: tuple[str | int, ...]
    takes: str
    """In words; empty if it cannot be said."""
    keys: tuple[str, ...] = ()
    """The keys of the table around it, if the last key is none of them."""


def place(model: type[BaseModel], loc: Sequence[str | int]) -> Place:
    """Return the place a validation error's `loc` means (which also counts the member of a union)."""
    return _walk(model, (), tuple(loc), ())


def _walk(
    kind: Any, metadata: Iterable[Any], loc: tuple[str | int, ...], path: tuple[str | int, ...]
) -> Place:
    if get_origin(kind) is Annotated:
        return _walk(kind.__origin__, [*metadata, *kind.__metadata__], loc, path)
    if not loc:
        return Place(path, _words(kind, metadata))
    head, rest = loc[0], loc[1:]
    if _is_union(kind):
        members = [m for m in get_args(kind) if m is not types.NoneType]
        if len(members) == 1:
            return _walk(members[0], metadata, loc, path)
        member = next((m for m in members if _is_model(m) and head in _tags(m)), None)
        return _common(members, loc, path) if member is None else _walk(member, (), rest, path)
    if _is_model(kind):
        found = _field(kind, head)
        if found is None:
            return Place((*path, *loc), "", tuple(f.alias or name for name, f in kind.model_fields.items()))
        return _walk(found.annotation, found.metadata, rest, (*path, head))
    item = _item(kind, loc)
    return Place((*path, *loc), "") if item is None else _walk(item, (), rest, (*path, head))


def _item(kind: Any, loc: tuple[str | int, ...]) -> Any:
    """Return what the first of `loc` is in a list or a table of names, or None if it is in neither."""
    items = get_args(kind)
    if get_origin(kind) in {tuple, list} and isinstance(loc[0], int):
        return items[loc[0]] if Ellipsis not in items and loc[0] < len(items) else items[0]
    # What is wrong with a name in such a table is told of the name itself.
    return items[1] if get_origin(kind) is dict and len(loc) > 1 else None


def _common(members: list[Any], loc: tuple[str | int, ...], path: tuple[str | int, ...]) -> Place:
    """Return the place of a key that tells the members of a union apart: it takes what any of them takes."""
    takes = [place(m, loc).takes for m in members if _is_model(m)]
    return Place((*path, *loc), " or ".join(takes) if all(takes) else "")


def _field(model: type[BaseModel], key: str | int) -> FieldInfo | None:
    return next((f for name, f in model.model_fields.items() if (f.alias or name) == key), None)


def _tags(model: type[BaseModel]) -> set[Any]:
    return {
        value
        for f in model.model_fields.values()
        if get_origin(f.annotation) is Literal
        for value in get_args(f.annotation)
    }


def _is_union(kind: Any) -> bool:
    return get_origin(kind) in {Union, types.UnionType}


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _words(kind: Any, metadata: Iterable[Any]) -> str:
    if get_origin(kind) is Annotated:
        return _words(kind.__origin__, [*metadata, *kind.__metadata__])
    if _is_union(kind):
        members = [m for m in get_args(kind) if m is not types.NoneType]
        words = dict.fromkeys(_words(m, metadata) for m in members)
        return " or ".join(words) if all(words) else ""
    if get_origin(kind) is Literal:
        return " or ".join(f'"{v}"' if isinstance(v, str) else str(v) for v in get_args(kind))
    if _is_model(kind) or dict in {kind, get_origin(kind)}:
        return "a table"
    if get_origin(kind) in {tuple, list}:
        return _list_words(get_args(kind), _limits(metadata))
    if kind not in _PLAIN:
        return ""
    limits = _limits(metadata)
    return _text_words(limits) if kind is str else f"{_PLAIN[kind]}{_range_words(limits)}"


def _list_words(items: tuple[Any, ...], limits: dict[str, Any]) -> str:
    if Ellipsis in items or len(items) == 1:
        what = "tables" if _is_model(items[0]) else "values"
        if "max_length" in limits:
            return f"a list of {limits.get('min_length', 0)} to {limits['max_length']} {what}"
        return f"a list of {'one or more ' if limits.get('min_length') else ''}{what}"
    return f"a list of {len(items)} values"


def _text_words(limits: dict[str, Any]) -> str:
    words = _PLAIN[str]
    if "max_length" in limits:
        words += f" of {limits.get('min_length', 0)} to {limits['max_length']} characters"
    if "pattern" in limits:
        words += f": {_PATTERNS.get(limits['pattern'], 'matching ' + str(limits['pattern']))}"
    return words


def _range_words(limits: dict[str, Any]) -> str:
    if "ge" in limits and "le" in limits:
        return f" from {limits['ge']:g} to {limits['le']:g}"
    parts = []
    for key, words in (
        ("gt", "above {:g}"),
        ("ge", "of {:g} or more"),
        ("lt", "below {:g}"),
        ("le", "up to {:g}"),
    ):
        if key in limits:
            parts.append(words.format(limits[key]))
    return f" {' and '.join(parts)}" if parts else ""


def _limits(metadata: Iterable[Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for item in metadata:
        if isinstance(item, FieldInfo):
            found.update(_limits(item.metadata))
            continue
        for key in ("gt", "ge", "lt", "le", "min_length", "max_length", "pattern"):
            value = getattr(item, key, None)
            if value is not None:
                found[key] = value
    return found
