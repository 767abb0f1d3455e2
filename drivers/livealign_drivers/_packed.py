"""One packed record: an optional fixed beginning, numbers of fixed sizes, an optional checksum."""

import math
import re
import struct
from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livealign.errors import PersonError
from livealign_drivers._checksums import SIZES, BinaryChecksum, checksum, checksums
from livealign_drivers._envelope import RecordError

__all__ = ["Layout", "Packed"]

Order = Literal["big", "little"]

LAYOUT = re.compile(r"[<>](?:(?:[1-9][0-9]{0,2})?[xbBhHiIlLqQefd])+")
ITEM = re.compile(r"([0-9]*)([a-zA-Z])")
DTYPES = {
    "b": "i1", "B": "u1", "h": "i2", "H": "u2", "i": "i4", "I": "u4", "l": "i4", "L": "u4", "q": "i8", "Q": "u8",
    "e": "f2", "f": "f4", "d": "f8",
}  # fmt: skip
FLOATS = "efd"
MOST_BYTES = 4096


class Layout:
    """The numbers of a record, in the letters of Python's struct module, without gaps between them."""

    def __init__(self, text: str) -> None:
        """Read the letters.

        Raises:
            ValueError: if they are not understood.
        """
        if LAYOUT.fullmatch(text) is None:
            raise ValueError(
                f"{text!r} is no layout: begin with < (low byte first) or > (high byte first), then a letter "
                "for each number, b B (8 bits) h H (16) i I (32) q Q (64), capitals without a sign, e f d "
                "(floats of 16, 32, 64 bits), x for a byte to skip; 3h is hhh"
            )
        self.struct = struct.Struct(text)
        if self.struct.size > MOST_BYTES:
            raise ValueError(f"a record cannot have more than {MOST_BYTES} bytes")
        self.order: Order = "little" if text[0] == "<" else "big"
        self.letters = ""
        offsets, at = [], 0
        for count, letter in ITEM.findall(text[1:]):
            for _ in range(int(count or 1)):
                if letter != "x":
                    self.letters += letter
                    offsets.append(at)
                at += struct.calcsize("<" + letter)
        self.dtype = np.dtype(
            {
                "names": [f"v{k}" for k in range(len(offsets))],
                "formats": [text[0] + DTYPES[letter] for letter in self.letters],
                "offsets": offsets,
                "itemsize": self.struct.size,
            }
        )


class Packed:
    """Reads and writes such records; `size` is their length in bytes."""

    def __init__(
        self,
        layout: Layout,
        columns: tuple[str, ...],
        *,
        scale: Mapping[str, float],
        begin: bytes,
        kind: BinaryChecksum,
        order: Order,
        covers_begin: bool,
    ) -> None:
        self._layout = layout
        self._columns = columns
        self._factors = [scale.get(name, 1.0) for name in columns]
        self._begin = begin
        self._kind: BinaryChecksum = kind
        self._order: Order = order
        self._from = 0 if covers_begin else len(begin)
        self._body = slice(len(begin), len(begin) + layout.struct.size)
        self.size = self._body.stop + SIZES[kind]

    def one(self, frame: bytes) -> list[float]:
        """Return the numbers of a record; NaN is what the device sends for a missing one.

        Raises:
            RecordError: if length, beginning or checksum are wrong, or a number is infinite.
        """
        if len(frame) != self.size:
            raise RecordError(f"has {len(frame)} bytes instead of {self.size}")
        if not frame.startswith(self._begin):
            raise RecordError(f"does not begin with {self._begin.hex()}")
        told = int.from_bytes(frame[self._body.stop :], self._order)
        if told != (actual := checksum(self._kind, frame[self._from : self._body.stop])):
            width = 2 * SIZES[self._kind]
            raise RecordError(f"says checksum {told:0{width}X}, its bytes give {actual:0{width}X}")
        row = [
            float(value) * factor
            for value, factor in zip(
                self._layout.struct.unpack(frame[self._body]), self._factors, strict=True
            )
        ]
        if any(map(math.isinf, row)):
            raise RecordError("has a number that is infinite")
        return row

    def many(self, data: bytes) -> tuple[NDArray[np.float64], int]:
        """Return the numbers of records that follow each other, and how many were right before the first wrong one."""
        table = np.frombuffer(data, np.uint8).reshape(-1, self.size)
        right = np.ones(len(table), np.bool_)
        for k, byte in enumerate(self._begin):
            right &= table[:, k] == byte
        if self._kind != "none":
            told = np.zeros(len(table), np.uint32)
            ends = table[:, self._body.stop :].T
            for byte_of_each in ends if self._order == "big" else ends[::-1]:
                told = (told << np.uint32(8)) | byte_of_each
            right &= told == checksums(self._kind, table[:, self._from : self._body.stop])
        numbers = np.ascontiguousarray(table[:, self._body]).view(self._layout.dtype)[:, 0]
        with np.errstate(invalid="ignore", over="ignore"):  # not yet known to be right
            rows = np.column_stack([numbers[name].astype(np.float64) for name in numbers.dtype.names or ()])
            rows *= self._factors
        right &= ~np.isinf(rows).any(axis=1)
        good = len(table) if right.all() else int(right.argmin())
        return rows[:good], good

    def write(self, fields: Mapping[str, float]) -> bytes:
        """Return a record.

        Raises:
            PersonError: if a number does not fit, or is missing where there is no NaN to tell it.
        """
        values = [self._sent(fields, k) for k in range(len(self._columns))]
        try:
            frame = self._begin + self._layout.struct.pack(*values)
        except (struct.error, OverflowError) as e:
            raise PersonError(
                f"a number does not fit the layout: {e}", advice="Choose a larger letter or another `scale`."
            ) from e
        told = checksum(self._kind, frame[self._from :])
        return frame + told.to_bytes(SIZES[self._kind], self._order)

    def _sent(self, fields: Mapping[str, float], k: int) -> float | int:
        name = self._columns[k]
        value = float(fields.get(name, math.nan)) / self._factors[k]
        if math.isinf(value):
            raise PersonError(
                f"the field {name!r} is infinite and cannot be sent", advice="Leave it out if it is missing."
            )
        if self._layout.letters[k] in FLOATS:
            return value
        if math.isnan(value):
            raise PersonError(
                f"the field {name!r} is missing, which a whole number cannot tell",
                advice="Give it one of the letters e, f or d.",
            )
        return round(value)
