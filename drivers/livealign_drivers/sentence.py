"""Sentences in the manner of NMEA 0183: `$TTSSS,field,field*hh`, with a checksum."""

import math
import re
from collections.abc import Mapping, Sequence
from functools import reduce
from operator import xor
from typing import Annotated, ClassVar, Literal

from pydantic import Field, field_validator, model_validator

from livealign.stream.contracts import Options, Records
from livealign_drivers._batch import Batch
from livealign_drivers._cells import number, written
from livealign_drivers._envelope import RecordError
from livealign_drivers._lines import LineCutter
from livealign_drivers._scale import Factor, check_scale

__all__ = ["SentenceFormat", "SentenceOptions"]

SENTENCE = re.compile(rb"\$(([0-9A-Z]{3,16})(?:,([^*$]*))?)(?:\*([0-9A-Fa-f]{2}))?[ \t\r]*")
PLACE = re.compile(r"([0-9A-Z]{3,16})\.([!-~][ -~]{0,59})")
TRANSDUCERS = "XDR"
POSITION = re.compile(r"[1-9][0-9]?")


class SentenceOptions(Options):
    """Where in which sentence a field is."""

    fields: dict[str, str]
    """Field -> `"RIG.2"`, the second data field of sentences `$--RIG`, or `"XDR.ANGLE"`, the transducer of that
    name in sentences `$--XDR`. Three letters are any talker's, more are the whole address: `"IIRIG.2"`, `"PSTRG.2"`."""
    scale: dict[str, Factor] = Field(default_factory=dict)
    """Field -> what its number is multiplied by, such as 1000 for transducers in m."""
    checksum: Literal["required", "optional"] = "required"
    """optional: it may be missing; if it is there, it has to be right."""
    talker: Annotated[str, Field(pattern=r"^[0-9A-Z]{2}$")] = "II"
    """Of sentences that are written."""
    decimals: Annotated[int, Field(ge=0, le=15)] = 4
    """Digits after the point when sentences are written."""
    max_line: Annotated[int, Field(ge=64, le=65536)] = 1024
    """Longest sentence in bytes; the standard's own limit is 82."""

    @field_validator("fields")
    @classmethod
    def _good_places(cls, fields: dict[str, str]) -> dict[str, str]:
        if not fields:
            raise ValueError(
                'name one field at least, such as { angle = "XDR.ANGLE" } or { angle = "RIG.2" }'
            )
        for place in fields.values():
            found = PLACE.fullmatch(place)
            if found is None or "*" in place or "$" in place or "," in place:
                raise ValueError(f"{place!r} is no place in a sentence: write RIG.2 or XDR.NAME")
            if not _by_name(found[1]) and POSITION.fullmatch(found[2]) is None:
                raise ValueError(f"{place!r}: after the point comes a position from 1 to 99")
        if doubled := sorted({p for p in fields.values() if list(fields.values()).count(p) > 1}):
            raise ValueError(f"{', '.join(doubled)} comes twice")
        return fields

    @model_validator(mode="after")
    def _scales_fields(self) -> "SentenceOptions":
        check_scale(self.scale, self.fields)
        return self


class SentenceFormat:
    """Reads and writes such sentences.

    Each sentence that has one of the fields is a record; the fields of other sentences are missing in it.
    Sentences with none of them are passed over if their checksum is right. What comes before the last `$` of a
    line is left out. A first line that is bad is not counted, for it may have been cut.
    """

    options_model: ClassVar[type[Options]] = SentenceOptions

    def __init__(self, options: SentenceOptions) -> None:
        self._options = options
        self._cutter = LineCutter(options.max_line)
        self._columns = tuple(options.fields)
        self._scale = [options.scale.get(name, 1.0) for name in self._columns]
        self._places: dict[str, dict[str, int]] = {}
        for i, place in enumerate(options.fields.values()):
            address, _, where = place.partition(".")
            self._places.setdefault(address, {})[where] = i
        self._first = True

    def decode(self, payload: bytes) -> Records:
        """Return the records completed by this payload; what is incomplete is kept for the next call."""
        batch = Batch()
        for line in self._cutter.feed(payload):
            batch.add_line(self._columns, line, self._read, may_be_cut=self._first)
            self._first = False
        return batch.records(self._columns)

    def encode(self, fields: Mapping[str, float]) -> bytes:
        r"""Return one record as sentences, each with \r\n; what is missing or NaN is an empty field.

        Raises:
            PersonError: if a value is infinite.
        """
        scaled = {n: fields.get(n, math.nan) / s for n, s in zip(self._columns, self._scale, strict=True)}
        digits = [written(scaled, name, self._options.decimals) or "" for name in self._columns]
        return b"".join(self._sentence(address, places, digits) for address, places in self._places.items())

    def preamble(self) -> bytes:
        """Return nothing: every sentence explains itself."""
        return b""

    def reset(self) -> None:
        """Forget an incomplete line: the link was interrupted."""
        self._cutter.reset()
        self._first = True

    def _sentence(self, address: str, places: Mapping[str, int], digits: Sequence[str]) -> bytes:
        if _by_name(address):
            # What kind of transducer it is, nobody said: G is the generic one, without a unit.
            cells = [cell for name, i in places.items() for cell in ("G", digits[i], "", name)]
        else:
            at = {int(position): digits[i] for position, i in places.items()}
            cells = [at.get(k, "") for k in range(1, max(at) + 1)]
        whole = self._options.talker + address if len(address) == 3 else address
        body = ",".join([whole, *cells]).encode()
        return b"$%b*%02X\r\n" % (body, reduce(xor, body, 0))

    def _read(self, line: bytes) -> list[float] | None:
        """Return the numbers of a sentence, None if it has none of the fields."""
        if len(line) > self._options.max_line:
            raise RecordError(f"is longer than {self._options.max_line} bytes")
        if not line.strip() or line.startswith(b"!"):  # encapsulated data of others
            return None
        found = SENTENCE.fullmatch(line, max(line.rfind(b"$"), 0))
        if found is None:
            raise RecordError("is no sentence such as $IIXDR,A,12.5,D,ANGLE*hh")
        self._check(found)
        address, cells = found[2].decode(), (found[3] or b"").split(b",")
        row = [math.nan] * len(self._columns)
        for key in self._keys(address):
            self._take(key, cells, row)
        return None if all(map(math.isnan, row)) else row

    def _check(self, found: "re.Match[bytes]") -> None:
        if found[4] is None:
            if self._options.checksum == "required":
                raise RecordError("has no checksum")
            return
        actual = reduce(xor, found[1], 0)
        if int(found[4], 16) != actual:
            raise RecordError(f"says checksum {found[4].decode()}, its bytes give {actual:02X}")

    def _keys(self, address: str) -> list[str]:
        # A P begins a maker's own address, which has no talker.
        short = [address[2:]] if len(address) == 5 and not address.startswith("P") else []
        return [key for key in (address, *short) if key in self._places]

    def _take(self, key: str, cells: list[bytes], row: list[float]) -> None:
        places = self._places[key]
        if _by_name(key):
            taken = [(cells[k + 3].decode("latin-1"), cells[k + 1]) for k in range(0, len(cells) - 3, 4)]
        else:
            taken = [(str(k), cell) for k, cell in enumerate(cells, 1)]
        seen = set()
        for where, cell in taken:
            if where not in places:
                continue
            if where in seen:
                raise RecordError(f"has the transducer {where!r} twice")
            seen.add(where)
            i = places[where]
            row[i] = number(cell) * self._scale[i]
            if math.isinf(row[i]):
                raise RecordError(f"has a number too large for {self._columns[i]!r}")


def _by_name(address: str) -> bool:
    """Tell whether the fields of a sentence are transducers with names."""
    return address == TRANSDUCERS or (
        len(address) == 5 and address.endswith(TRANSDUCERS) and not address.startswith("P")
    )
