"""One JSON object a line."""

import json
import math
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar

from pydantic import Field, field_validator

from livealign.errors import PersonError
from livealign.stream.contracts import Options, Records
from livealign_drivers._batch import Batch
from livealign_drivers._envelope import RecordError
from livealign_drivers._json import finite, parsed
from livealign_drivers._lines import LineCutter

__all__ = ["JsonLinesFormat", "JsonLinesOptions"]


class JsonLinesOptions(Options):
    """Which members of the objects are fields."""

    fields: dict[str, str]
    """Field name -> path of keys with points between them; or a list of names that are the paths as well."""
    max_line: Annotated[int, Field(ge=64, le=1 << 20)] = 4096
    """Longest line in bytes."""

    @field_validator("fields", mode="before")
    @classmethod
    def _names_alone(cls, given: Any) -> Any:
        if isinstance(given, list | tuple):
            if doubled := sorted({str(n) for n in given if given.count(n) > 1}):
                raise ValueError(f"{', '.join(doubled)} comes twice")
            return {name: name for name in given}
        return given

    @field_validator("fields")
    @classmethod
    def _good_paths(cls, fields: dict[str, str]) -> dict[str, str]:
        if not fields:
            raise ValueError('name one field at least, such as ["angle"] or { angle = "head.angle_deg" }')
        for path in fields.values():
            if not all(path.split(".")):
                raise ValueError(
                    f"{path!r} is no path: write keys with one point between them, such as head.angle_deg"
                )
            if inside := [p for p in fields.values() if p.startswith(path + ".")]:
                raise ValueError(f"{path!r} cannot be a number and hold {inside[0]!r} as well")
        return fields


class JsonLinesFormat:
    """Reads and writes such lines. A first line that is bad is not counted, for it may have been cut."""

    options_model: ClassVar[type[Options]] = JsonLinesOptions

    def __init__(self, options: JsonLinesOptions) -> None:
        self._options = options
        self._cutter = LineCutter(options.max_line)
        self._columns = tuple(options.fields)
        self._paths = [tuple(path.split(".")) for path in options.fields.values()]
        self._first = True

    def decode(self, payload: bytes) -> Records:
        """Return the records completed by this payload; what is incomplete is kept for the next call."""
        batch = Batch()
        for line in self._cutter.feed(payload):
            batch.add_line(self._columns, line, self._read, may_be_cut=self._first)
            self._first = False
        return batch.records(self._columns)

    def encode(self, fields: Mapping[str, float]) -> bytes:
        """Return one record as a line; fields that are missing or NaN are left out.

        Raises:
            PersonError: if a value is infinite.
        """
        record: dict[str, Any] = {}
        for name, path in zip(self._columns, self._paths, strict=True):
            value = float(fields.get(name, math.nan))
            if math.isinf(value):
                raise PersonError(
                    f"the field {name!r} is infinite and cannot be sent",
                    advice="Leave it out if it is missing.",
                )
            if not math.isnan(value):
                inner = record
                for key in path[:-1]:
                    inner = inner.setdefault(key, {})
                inner[path[-1]] = int(value) if value.is_integer() else value
        return json.dumps(record, separators=(",", ":")).encode() + b"\n"

    def preamble(self) -> bytes:
        """Return nothing: every line explains itself."""
        return b""

    def reset(self) -> None:
        """Forget an incomplete line: the link was interrupted."""
        self._cutter.reset()
        self._first = True

    def _read(self, line: bytes) -> list[float] | None:
        if len(line) > self._options.max_line:
            raise RecordError(f"is longer than {self._options.max_line} bytes")
        if not line.strip():
            return None
        record = parsed(line)
        if not isinstance(record, dict):
            raise RecordError("is not a JSON object")
        return [_number_at(record, path) for path in self._paths]


def _number_at(record: Any, path: tuple[str, ...]) -> float:
    """Return the number there; NaN if there is none, or something else."""
    for key in path:
        if not isinstance(record, dict) or key not in record:
            return math.nan
        record = record[key]
    if isinstance(record, bool) or not isinstance(record, int | float):
        return math.nan
    return finite(record, ".".join(path))
