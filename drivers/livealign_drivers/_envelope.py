"""What stands around the body of a line: a prefix before it, `*` and a hexadecimal checksum after it."""

import binascii
import zlib
from functools import reduce
from operator import xor
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Checksum", "Envelope", "RecordError"]

Checksum = Literal["none", "xor8", "sum8", "crc16", "crc32"]
Bytes = NDArray[np.uint8]
Mask = NDArray[np.bool_]

DIGITS: dict[Checksum, int] = {"none": 0, "xor8": 2, "sum8": 2, "crc16": 4, "crc32": 8}
STAR, NEWLINE = ord("*"), ord("\n")
NO_DIGIT = 255

HEX = np.full(256, NO_DIGIT, np.uint8)
HEX[np.frombuffer(b"0123456789", np.uint8)] = np.arange(10)
HEX[np.frombuffer(b"abcdef", np.uint8)] = np.arange(10, 16)
HEX[np.frombuffer(b"ABCDEF", np.uint8)] = np.arange(10, 16)


class RecordError(Exception):
    """Why a record cannot be read, in words for the person."""


class Envelope:
    """Puts bodies into lines and takes them out again, checked."""

    def __init__(self, prefix: bytes, checksum: Checksum) -> None:
        self._prefix = prefix
        self._checksum: Checksum = checksum
        self._digits = DIGITS[checksum]

    @property
    def vouches(self) -> bool:
        """Whether a line that was cut at its beginning would be noticed."""
        return bool(self._prefix) or self._digits > 0

    def wrap(self, body: bytes) -> bytes:
        """Return the line, without its end."""
        if not self._digits:
            return self._prefix + body
        return b"%b%b*%0*X" % (self._prefix, body, self._digits, self._sum(body))

    def unwrap(self, line: bytes) -> bytes:
        """Return the body of a line.

        Raises:
            RecordError: if the prefix or the checksum is missing or wrong.
        """
        if not line.startswith(self._prefix):
            raise RecordError(f"does not begin with {self._prefix.decode()!r}")
        if not self._digits:
            return line[len(self._prefix) :]
        body, star, told = line[len(self._prefix) :].rpartition(b"*")
        values = HEX[np.frombuffer(told, np.uint8)].tolist()
        if not star or len(values) != self._digits or NO_DIGIT in values:
            raise RecordError(f"does not end in * and {self._digits} hexadecimal digits")
        if not body:
            raise RecordError("is empty")
        if int(told, 16) != (actual := self._sum(body)):
            raise RecordError(f"says checksum {told.decode()}, its bytes give {actual:0{self._digits}X}")
        return body

    def unwrap_many(
        self, text: Bytes, starts: NDArray[np.intp], ends: NDArray[np.intp]
    ) -> tuple[Bytes, Mask]:
        r"""Return the bodies of many lines.

        Args:
            text: the lines, each with a \n at its end; it is written over.
            starts: where each line begins.
            ends: where each line's \n is.

        Returns:
            the bodies, each with a \n at its end, and which lines were right;
            if not all were, the text means nothing.
        """
        bodies = starts + len(self._prefix)
        stars = ends - self._digits - 1
        right = np.ones(len(starts), np.bool_)
        for k, byte in enumerate(self._prefix):
            # A line that is too short shows its \n here, which is in no prefix.
            right &= text[np.minimum(starts + k, ends)] == byte
        if self._digits and right.all():
            right = stars > bodies
            if right.all():
                right = self._check_many(text, bodies, stars)
        if not right.all():
            return text, right
        kept = np.ones(len(text), np.bool_)
        for k in range(len(self._prefix)):
            kept[starts + k] = False
        if self._digits:
            text[stars] = NEWLINE
            for k in range(1, self._digits + 2):
                kept[stars + k] = False
        return text[kept], right

    def _check_many(self, text: Bytes, bodies: NDArray[np.intp], stars: NDArray[np.intp]) -> Mask:
        right: Mask = text[stars] == STAR
        told = np.zeros(len(stars), np.uint64)
        for k in range(1, self._digits + 1):
            digit = HEX[text[stars + k]]
            right &= digit != NO_DIGIT
            told = told * np.uint64(16) + digit
        right &= told == self._sum_many(text, bodies, stars)
        return right

    def _sum(self, body: bytes) -> int:
        match self._checksum:
            case "xor8":
                return reduce(xor, body, 0)
            case "sum8":
                return sum(body) & 0xFF
            case "crc16":
                return binascii.crc_hqx(body, 0)
            case _:
                return zlib.crc32(body)

    def _sum_many(
        self, text: Bytes, bodies: NDArray[np.intp], stars: NDArray[np.intp]
    ) -> NDArray[np.integer]:
        if self._checksum in {"xor8", "sum8"}:
            # Every second piece is what lies between a star and the next body.
            edges = np.stack((bodies, stars), axis=1).ravel()
            both = np.bitwise_xor if self._checksum == "xor8" else np.add
            return both.reduceat(text, edges, dtype=np.uint8)[::2]
        view = text.tobytes()
        pairs = zip(bodies.tolist(), stars.tolist(), strict=True)
        return np.array([self._sum(view[a:b]) for a, b in pairs], np.uint64)
