"""All that is wrong with a file, gathered, so that the person need not mend it one error at a time."""

import datetime as dt
import difflib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from livealign.config.toml_lines import TomlPath
from livealign.errors import PersonError

__all__ = ["ConfigError", "ConfigErrors", "closest", "found_words", "key_words", "printable"]

_MOST_SHOWN = 40
_LONGEST = 60


@dataclass(frozen=True, slots=True)
class ConfigError:
    """One thing that is wrong in a file, or between two."""

    file: str
    line: int | None
    """Counted from 1; None if the file could not be read at all."""
    key: str
    """Where in the file, such as `distances[3].length` (items counted from 1); empty for the whole file."""
    found: str
    """What stands there, shortened; empty if nothing does."""
    allowed: str
    """What could stand there; empty if it cannot be said."""
    message: str
    """What is wrong and what to do, in words."""

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return printable(f"{where}: {self.key}: {self.message}" if self.key else f"{where}: {self.message}")

    def as_dict(self) -> dict[str, Any]:
        """Return the same as plain values, for JSON."""
        return asdict(self)


class ConfigErrors(PersonError):  # noqa: N818 - it is many
    """Everything that is wrong with the files that were read."""

    def __init__(self, errors: Sequence[ConfigError]) -> None:
        self.errors = tuple(sorted(errors, key=lambda e: (e.file, e.line or 0)))
        lines = [str(e) for e in self.errors[:_MOST_SHOWN]]
        hidden = len(self.errors) - len(lines)
        if hidden:
            lines.append(f"... and {hidden} more")
        files = " and ".join(dict.fromkeys(e.file for e in self.errors))
        count = len(self.errors)
        lines.append(f"{count} {'error' if count == 1 else 'errors'} in {files}")
        super().__init__("\n".join(lines))


def printable(text: str) -> str:
    """Return a line of text with ? for whatever could disturb a terminal."""
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)


def key_words(path: TomlPath) -> str:
    """Return a path as the person reads it: ("distances", 2, "length") is distances[3].length."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def found_words(value: object) -> str:
    """Return a value as it would stand in the file, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, list | tuple):
        text = f"[{', '.join(found_words(v) for v in value[:8])}{', ...' if len(value) > 8 else ''}]"
    elif isinstance(value, dt.date | dt.time):
        text = value.isoformat()
    else:
        text = repr(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 3]}..."


def closest(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice that was probably meant."""
    by_lower = {c.lower(): c for c in choices}
    near = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[near[0]] if near else None
