"""Packs of Sensor Measurement Lists (SenML, RFC 8428) in JSON, one a line or one a message."""

import json
import math
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, field_validator

from livealign.errors import PersonError
from livealign.stream.contracts import Options, Records
from livealign_drivers._batch import Batch
from livealign_drivers._envelope import RecordError
from livealign_drivers._json import finite, parsed
from livealign_drivers._lines import LineCutter

__all__ = ["SenmlFormat", "SenmlOptions"]

VERSION = 10
"""Packs that say a higher version must not be used (RFC 8428, section 4.4)."""
ABSOLUTE_S = 2.0**28
"""Times from here on count from 1970, earlier ones from now (section 4.5.3)."""
TEXT_LABELS = ("bn", "bu", "n", "u")
OTHER_VALUES = ("vb", "vs", "vd", "s")
"""Truth values, text, bytes and sums over time, which are left out."""
NUMBER_LABELS = ("bt", "bv", "t")


class Measured(Options):
    """A field that is a value."""

    name: Annotated[str, Field(min_length=1)]
    """Base name and name together."""
    unit: str | None = None
    """Only values with this unit, where one name serves several."""


class Time(Options):
    """A field that is the records' time in s."""

    time: Literal["absolute", "relative"]
    """absolute: since 1970, missing if the pack tells it from now; relative: from now, or what a device
    that does not know the date counts, missing if it is absolute."""


class SenmlOptions(Options):
    """Which names are fields."""

    fields: dict[str, Measured | Time]
    """Field -> the name, or `{ name = "...", unit = "..." }`, or `{ time = "absolute" }`; or a list of names."""
    framing: Literal["lines", "message"] = "lines"
    """lines: a pack a line; message: a pack a message, with line ends or without, for links that carry messages."""
    max_bytes: Annotated[int, Field(ge=64, le=1 << 20)] = 16384
    """Longest pack."""

    @field_validator("fields", mode="before")
    @classmethod
    def _names_alone(cls, given: Any) -> Any:
        if isinstance(given, list | tuple):
            if doubled := sorted({str(n) for n in given if given.count(n) > 1}):
                raise ValueError(f"{', '.join(doubled)} comes twice")
            given = {name: name for name in given}
        if isinstance(given, dict):
            return {field: {"name": what} if isinstance(what, str) else what for field, what in given.items()}
        return given

    @field_validator("fields")
    @classmethod
    def _each_once(cls, fields: dict[str, Measured | Time]) -> dict[str, Measured | Time]:
        measured = [m for m in fields.values() if isinstance(m, Measured)]
        if not measured:
            raise ValueError(
                'name one field at least, such as { angle = "urn:dev:ow:10e2073a01080063:angle" }'
            )
        if len(fields) - len(measured) > 1:
            raise ValueError("one field can be the time, not more")
        for one in measured:
            same = [m for m in measured if m.name == one.name]
            if len(same) > 1 and (one.unit is None or sum(m.unit == one.unit for m in same) > 1):
                raise ValueError(f"{one.name!r} comes twice: tell the fields apart by `unit`")
        return fields


class SenmlFormat:
    """Reads and writes such packs.

    Values of a pack that have the same time make one record, as the RFC correlates them; a value that comes
    again at that time begins another. Records come in the order of their times. A pack with anything wrong
    is bad as a whole. In lines, a first pack that is bad is not counted, for it may have been cut.
    """

    options_model: ClassVar[type[Options]] = SenmlOptions

    def __init__(self, options: SenmlOptions) -> None:
        self.messages = options.framing == "message"
        """Each payload is a pack: it must not be joined with others."""
        self._options = options
        self._cutter = LineCutter(options.max_bytes)
        self._columns = tuple(options.fields)
        self._measured = {f: m for f, m in options.fields.items() if isinstance(m, Measured)}
        self._by_name = {(m.name, m.unit): f for f, m in self._measured.items()}
        times = [(f, t.time) for f, t in options.fields.items() if isinstance(t, Time)]
        self._time_field: str | None = times[0][0] if times else None
        self._absolute = bool(times) and times[0][1] == "absolute"
        self._may_be_cut = options.framing == "lines"

    def decode(self, payload: bytes) -> Records:
        """Return the records completed by this payload; what is incomplete is kept for the next call."""
        batch = Batch()
        for text in [payload] if self._options.framing == "message" else self._cutter.feed(payload):
            may_be_cut, self._may_be_cut = self._may_be_cut, False
            try:
                rows = self._read(text)
            except RecordError as e:
                if not may_be_cut:
                    batch.add_bad(text, str(e))
            else:
                for row in rows:
                    batch.add_row(self._columns, row)
        return batch.records(self._columns)

    def encode(self, fields: Mapping[str, float]) -> bytes:
        """Return one record as a pack; fields that are missing or NaN are left out.

        Raises:
            PersonError: if a value is infinite.
        """
        pack: list[dict[str, Any]] = []
        for field, measured in self._measured.items():
            if (value := _sent(fields, field)) is not None:
                unit = {} if measured.unit is None else {"u": measured.unit}
                pack.append({"n": measured.name, **unit, "v": value})
        if pack and self._time_field is not None and (time := _sent(fields, self._time_field)) is not None:
            pack[0] = {"bt": time, **pack[0]}
        text = json.dumps(pack, separators=(",", ":")).encode()
        return text if self._options.framing == "message" else text + b"\n"

    def preamble(self) -> bytes:
        """Return nothing: every pack explains itself."""
        return b""

    def reset(self) -> None:
        """Forget an incomplete line: the link was interrupted."""
        self._cutter.reset()
        self._may_be_cut = self._options.framing == "lines"

    def _read(self, text: bytes) -> list[list[float]]:
        if len(text) > self._options.max_bytes:
            raise RecordError(f"is longer than {self._options.max_bytes} bytes")
        if not text.strip():
            return []
        pack = parsed(text)
        if not isinstance(pack, list) or not all(isinstance(r, dict) for r in pack):
            raise RecordError("is no SenML pack, which is a JSON array of objects")
        by_time: dict[float, list[dict[str, float]]] = {}
        base: dict[str, Any] = {}
        for record in pack:
            _check(record)
            base.update({label: record[label] for label in ("bn", "bt", "bu", "bv") if label in record})
            name = base.get("bn", "") + record.get("n", "")
            if not name:
                raise RecordError("has a record without a name")
            field = self._field(name, record.get("u", base.get("bu")))
            if field is None or not _has_number(record, base):
                continue
            time = finite(finite(base.get("bt", 0), "bt") + finite(record.get("t", 0), "t"), "t")
            value = finite(finite(base.get("bv", 0), "bv") + _value(record.get("v", 0)), "v")
            at_time = by_time.setdefault(time, [{}])
            if field in at_time[-1]:
                at_time.append({})
            at_time[-1][field] = value
        return [self._row(time, found) for time, rows in sorted(by_time.items()) for found in rows]

    def _field(self, name: str, unit: str | None) -> str | None:
        return self._by_name.get((name, unit)) or self._by_name.get((name, None))

    def _row(self, time: float, found: dict[str, float]) -> list[float]:
        if self._time_field is not None and (time >= ABSOLUTE_S) == self._absolute:
            found[self._time_field] = time
        return [found.get(field, math.nan) for field in self._columns]


def _check(record: dict[str, Any]) -> None:
    """Refuse a record whose labels are not what the RFC says, or that must be understood and is not."""
    for label in TEXT_LABELS:
        if not isinstance(record.get(label, ""), str):
            raise RecordError(f"has something else than text at {label}")
    for label in NUMBER_LABELS:
        _value(record.get(label, 0), label)
    if not 0 < _value(record.get("bver", VERSION), "bver") <= VERSION:
        raise RecordError(f"says SenML version {str(record['bver'])[:20]}, {VERSION} is the highest known")
    if strange := [label for label in record if label.endswith("_")]:
        raise RecordError(f"has the label {strange[0][:20]!a}, which has to be understood and is not")


def _has_number(record: dict[str, Any], base: dict[str, Any]) -> bool:
    """Tell whether a record has a numeric value; a base value alone is one, unless there is another kind of value."""
    return "v" in record or ("bv" in base and not any(label in record for label in OTHER_VALUES))


def _value(given: Any, label: str = "v") -> float:
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise RecordError(f"has something else than a number at {label}")
    return finite(given, label)


def _sent(fields: Mapping[str, float], name: str) -> int | float | None:
    """Return a value as JSON writes it, None if it is missing."""
    value = float(fields.get(name, math.nan))
    if math.isinf(value):
        raise PersonError(
            f"the field {name!r} is infinite and cannot be sent", advice="Leave it out if it is missing."
        )
    if math.isnan(value):
        return None
    return int(value) if value.is_integer() else value
