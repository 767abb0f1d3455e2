"""A guess at a format, and its fields."""

from dataclasses import dataclass, field, replace
from typing import Any

from livealign.listen.heard import Decoded

__all__ = ["Field", "FormatGuess", "Shape"]


@dataclass(frozen=True, slots=True)
class Field:
    """A field that a format gives."""

    name: str
    hint: str = ""
    """What the device calls it; empty if it does not say."""
    unit: str = ""
    """What the device says its unit is; empty if it does not."""
    bits: int = 0
    """Width of a whole number, 0 if that is not known."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A format with its options, as it might be."""

    kind: str
    options: dict[str, Any]
    fields: tuple[Field, ...]
    strength: float = 1.0
    """How much it proves that bytes can be read so, from 0 to 1."""
    reasons: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    add_line_end: bool = False
    """The link has to put a newline behind each message."""


@dataclass(frozen=True, slots=True)
class FormatGuess:
    """A shape that was tried on all that was heard."""

    shape: Shape
    decoded: Decoded
    confidence: float
    """From 0 to 1."""
    reasons: tuple[str, ...] = ()
    doubts: tuple[str, ...] = field(default=())

    def renamed(self, names: dict[str, str]) -> "FormatGuess":
        """Return the same with other names for fields that the device does not name itself."""
        options = dict(self.shape.options)
        if "columns" in options:
            options["columns"] = [names.get(c, c) for c in options["columns"]]
        fields = tuple(replace(f, name=names.get(f.name, f.name)) for f in self.shape.fields)
        columns = {names.get(name, name): values for name, values in self.decoded.columns.items()}
        return replace(
            self,
            shape=replace(self.shape, options=options, fields=fields),
            decoded=replace(self.decoded, columns=columns),
        )
