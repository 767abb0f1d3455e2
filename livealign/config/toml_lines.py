"""On which line each key of a TOML text stands; the standard reader does not tell."""

import bisect
import contextlib
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

__all__ = ["TomlLines", "TomlPath", "toml_lines"]

TomlPath: TypeAlias = tuple[str | int, ...]
"""The way to a value: keys of tables, and positions in arrays from 0."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_ATOM = re.compile(r"[^,\]}\n#]*")
# Longest opening quotes first; up to two quotes may stand right before three closing ones.
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})' r"|'''.*?'''(?:'{0,2})" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'",
    re.DOTALL,
)


@dataclass
class TomlLines:
    """Lines of a TOML text by path, counted from 1."""

    known: dict[TomlPath, int] = field(default_factory=dict)
    twice: list[tuple[TomlPath, int, int]] = field(default_factory=list)
    """Keys given a value more than once, with both lines."""

    def of(self, path: TomlPath) -> int:
        """Return the line of a path, or of the nearest table around it; 1 when there is none."""
        for end in range(len(path), 0, -1):
            line = self.known.get(path[:end])
            if line is not None:
                return line
        return 1


def toml_lines(text: str) -> TomlLines:
    """Return where everything stands in a TOML text.

    A text that is no TOML is read as far as it makes sense; nothing is raised.
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    with contextlib.suppress(_LostError, RecursionError):  # what was found so far is still right
        scanner.document()
    return scanner.lines


class _LostError(Exception):
    """The text is not what TOML would have here."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines = TomlLines()
        self._ends = [i for i, c in enumerate(text) if c == "\n"]
        self._sizes: dict[TomlPath, int] = {}
        self._headed: dict[TomlPath, int] = {}

    def document(self) -> None:
        table: TomlPath = ()
        while True:
            self._skip(_BLANK)
            if self.at >= len(self.text):
                return
            if self._take("[["):
                table = self._array_item()
            elif self._take("["):
                table = self._table()
            else:
                self._assignment(table)

    def _table(self) -> TomlPath:
        line = self._line()
        path: TomlPath = ()
        for path in self._existing(self._key()):
            self._note(path, line)
        self._expect("]")
        if path in self._headed:
            self.lines.twice.append((path, self._headed[path], line))
        self._headed[path] = line
        # The header is where the person looks for the table, even if a subtable came first.
        self.lines.known[path] = line
        return path

    def _array_item(self) -> TomlPath:
        line = self._line()
        *parents, last = self._key()
        self._expect("]]")
        path: TomlPath = ()
        for path in self._existing(parents):
            self._note(path, line)
        path = (*path, last)
        self._note(path, line)
        count = self._sizes.get(path, 0)
        self._sizes[path] = count + 1
        path = (*path, count)
        self._note(path, line)
        return path

    def _existing(self, keys: list[str]) -> Iterator[TomlPath]:
        """Follow keys from the top; in an array of tables they mean its last item."""
        path: TomlPath = ()
        for key in keys:
            path = (*path, key)
            if path in self._sizes:
                yield path
                path = (*path, self._sizes[path] - 1)
            yield path

    def _assignment(self, table: TomlPath) -> None:
        line = self._line()
        path, first = table, None
        for key in self._key():
            path = (*path, key)
            first = self.lines.known.get(path)
            self._note(path, line)
        self._expect("=")
        if first is not None:
            self.lines.twice.append((path, first, line))
        self._value(path)

    def _value(self, path: TomlPath) -> None:
        self._skip(_SPACE)
        if self._take("["):
            self._items(path)
        elif self._take("{"):
            self._members(path)
        elif self._peek() in {'"', "'"}:
            self._match(_STRING)
        elif not self._match(_ATOM).strip():
            raise _LostError

    def _items(self, path: TomlPath) -> None:
        index = 0
        while not self._closed("]"):
            item = (*path, index)
            self._note(item, self._line())
            self._value(item)
            self._separator("]")
            index += 1

    def _members(self, path: TomlPath) -> None:
        while not self._closed("}"):
            self._assignment(path)
            self._separator("}")

    def _closed(self, bracket: str) -> bool:
        self._skip(_BLANK)
        return self._take(bracket)

    def _separator(self, bracket: str) -> None:
        self._skip(_BLANK)
        if not self._take(",") and self._peek() != bracket:
            raise _LostError

    def _key(self) -> list[str]:
        parts = [self._key_part()]
        while self._take("."):
            parts.append(self._key_part())
        return parts

    def _key_part(self) -> str:
        self._skip(_SPACE)
        if self._peek() in {'"', "'"}:
            try:
                part = str(tomllib.loads(f"k = {self._match(_STRING)}")["k"])
            except ValueError:
                raise _LostError from None
        else:
            part = self._match(_BARE_KEY)
        self._skip(_SPACE)
        return part

    def _note(self, path: TomlPath, line: int) -> None:
        self.lines.known.setdefault(path, line)

    def _line(self) -> int:
        return bisect.bisect_left(self._ends, self.at) + 1

    def _peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def _take(self, mark: str) -> bool:
        if not self.text.startswith(mark, self.at):
            return False
        self.at += len(mark)
        return True

    def _expect(self, mark: str) -> None:
        if not self._take(mark):
            raise _LostError

    def _skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self.text, self.at)
        if found:
            self.at = found.end()

    def _match(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if not found:
            raise _LostError
        self.at = found.end()
        return found.group()
