"""A job or rig file as text, values and lines, before it is understood."""

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from livealign.config.allowed import Place, place
from livealign.config.problems import ConfigError, ConfigErrors, closest, found_words, key_words
from livealign.config.toml_lines import TomlLines, TomlPath, toml_lines

__all__ = ["Document", "read_document", "read_text", "validated"]

M = TypeVar("M", bound=BaseModel)

_LARGEST = 1_000_000
_POSITION = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_DECIMAL_COMMA = re.compile(r"=\s*[+-]?\d+,\d+")
_NO_QUOTES = re.compile(r"=\s*(?!true\b|false\b|inf\b|nan\b)[A-Za-z_]")


@dataclass(frozen=True)
class Document:
    """The values of a TOML file, and where they stand."""

    where: str
    data: dict[str, Any]
    lines: TomlLines

    def error(self, path: TomlPath, message: str, *, found: object = None, allowed: str = "") -> ConfigError:
        """Return an error at a path of this file."""
        return ConfigError(
            file=self.where,
            line=self.lines.of(path),
            key=key_words(path),
            found="" if found is None else found_words(found),
            allowed=allowed,
            message=message,
        )

    def tables(self, *path: str) -> Iterator[tuple[TomlPath, dict[str, Any]]]:
        """Yield the tables of an array of tables that are tables, with their paths; nothing if it is none."""
        value: Any = self.data
        for key in path:
            value = value.get(key) if isinstance(value, dict) else None
        yield from tables_in(value, path)


def tables_in(value: object, path: TomlPath) -> Iterator[tuple[TomlPath, dict[str, Any]]]:
    """Yield the items of a list that are tables, with their paths."""
    for i, item in enumerate(value if isinstance(value, list) else ()):
        if isinstance(item, dict):
            yield (*path, i), item


def read_text(path: Path) -> str:
    """Return a file's text.

    Raises:
        ConfigErrors: if there is no such file, it is too large, or it is no UTF-8 text.
    """
    try:
        with path.open("rb") as f:
            raw = f.read(_LARGEST + 1)
    except FileNotFoundError:
        raise _unreadable(path, "there is no such file; check the name and the folder") from None
    except IsADirectoryError:
        raise _unreadable(path, "this is a folder; name the file in it") from None
    except PermissionError:
        what = "this is a folder; name the file in it" if path.is_dir() else "you may not read this file"
        raise _unreadable(path, what) from None
    except (OSError, ValueError) as e:
        raise _unreadable(path, f"the file cannot be read: {e}") from e
    if len(raw) > _LARGEST:
        raise _unreadable(path, f"the file is larger than {_LARGEST // 1000} kB; this is no job or rig file")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        utf16 = raw.startswith((b"\xff\xfe", b"\xfe\xff"))
        kind = "it is UTF-16" if utf16 else f"byte {e.start + 1} does not belong to it"
        line = None if utf16 else raw.count(b"\n", 0, e.start) + 1
        message = f"the file is not UTF-8 text ({kind}); save it as UTF-8 in your editor"
        raise ConfigErrors([ConfigError(str(path), line, "", "", "UTF-8 text", message)]) from None


def _unreadable(path: Path, message: str) -> ConfigErrors:
    return ConfigErrors([ConfigError(str(path), None, "", "", "", message)])


def read_document(text: str, where: str) -> Document:
    """Return the values of a TOML text and their lines.

    Raises:
        ConfigErrors: if it is no TOML, with the line and column, and what stands there.
    """
    text = text.removeprefix("\ufeff")
    try:
        data = tomllib.loads(text)
    except RecursionError:
        message = "brackets are nested too deeply to be read"
        raise ConfigErrors([ConfigError(where, 1, "", "", "", message)]) from None
    except ValueError as e:
        raise ConfigErrors([_syntax_error(text, where, str(e))]) from None
    return Document(where, data, toml_lines(text))


def _syntax_error(text: str, where: str, complaint: str) -> ConfigError:
    lines = text.replace("\r\n", "\n").split("\n")
    position = _POSITION.search(complaint)
    what = _POSITION.sub("", complaint)
    if what.startswith("Cannot") and (twice := toml_lines(text).twice):
        path, first, again = twice[0]
        message = f"this stands here for the second time; the first is on line {first}; keep one of them"
        return ConfigError(where, again, key_words(path), lines[again - 1].strip()[:60], "", message)
    if position is None or position[1] is None:
        last = max((i for i, line in enumerate(lines, 1) if line.strip()), default=1)
        return ConfigError(where, last, "", "", "", f"the text ends too early or is not TOML: {_lower(what)}")
    number, column = int(position[1]), int(position[2])
    line = lines[number - 1] if number <= len(lines) else ""
    near = line.strip()
    if len(near) > 60:
        near = f"...{line[max(0, column - 30) : column + 30].strip()}..."
    message = f"not TOML at column {column}: {_lower(what)}; near: {near}{_hint(line, what)}"
    return ConfigError(where, number, "", near, "", message)


def _hint(line: str, what: str) -> str:
    if _DECIMAL_COMMA.search(line):
        return " (a number has a decimal point, not a comma)"
    if "\\" in what or "escape" in what.lower():
        return " (in double quotes a backslash must be doubled; single quotes take it as it is)"
    if _NO_QUOTES.search(line):
        return " (text stands in quotes)"
    return ""


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def validated(
    model: type[M], doc: Document, data: object, at: TomlPath = ()
) -> tuple[M | None, list[ConfigError]]:
    """Check part of a document against a model; return the model (None if it is wrong) and what is wrong."""
    try:
        return model.model_validate(data), []
    except ValidationError as e:
        return None, [_one_error(model, doc, d, at) for d in e.errors(include_url=False) if not _echo(d)]


def _echo(details: ErrorDetails) -> bool:
    """Whether a list is called too short only because its items are wrong."""
    least = details.get("ctx", {}).get("min_length", 0)
    return (
        details["type"] == "too_short"
        and isinstance(details["input"], list)
        and len(details["input"]) >= least
    )


def _one_error(model: type[BaseModel], doc: Document, details: ErrorDetails, at: TomlPath) -> ConfigError:
    spot = place(model, details["loc"])
    path = (*at, *spot.path)
    kind, value, ctx = details["type"], details["input"], details.get("ctx", {})
    if kind == "missing":
        return doc.error(path, f"is missing{_it_takes(spot)}", allowed=spot.takes)
    if kind == "extra_forbidden":
        return _unknown_key(doc, path, spot)
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        key = str(ctx.get("discriminator", "")).strip("'")
        path, tags = (*path, key), place(model, (*details["loc"], key)).takes
        if kind == "union_tag_not_found":
            return doc.error(path, f"is missing; it takes {tags}", allowed=tags)
        return doc.error(
            path, f"found {found_words(ctx['tag'])}; it takes {tags}", found=ctx["tag"], allowed=tags
        )
    if kind in {"value_error", "assertion_error"}:
        return doc.error(path, str(ctx.get("error", details["msg"])), found=value)
    takes = spot.takes or _lower(details["msg"])
    message = f"found {found_words(value)}; it takes {takes}{_number_hint(value, takes)}"
    return doc.error(path, message, found=value, allowed=takes)


def _it_takes(spot: Place) -> str:
    return f"; it takes {spot.takes}" if spot.takes else ""


def _number_hint(value: object, takes: str) -> str:
    if not (isinstance(value, str) and "number" in takes):
        return ""
    return " (leave the quotes out)" if re.fullmatch(r"\s*[+-]?\d+(\.\d*)?\s*", value) else ""


def _unknown_key(doc: Document, path: TomlPath, spot: Place) -> ConfigError:
    near = closest(str(path[-1]), spot.keys)
    hint = (
        f"did you mean {near}?" if near else f"the keys here are {', '.join(spot.keys)}" if spot.keys else ""
    )
    message = f"is not a key of this table; {hint}" if hint else "is not a key of this table"
    return doc.error(path, message, found=str(path[-1]), allowed=", ".join(spot.keys))
