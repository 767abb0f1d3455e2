"""Arbitrary bytes taken for what a link may bring: a stream, the pieces it comes in, an interruption."""

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["MARK", "Stream", "told"]

MARK = b"\xf7\xf7"
"""What comes between two of these is given a right checksum: by chance alone, none would ever be right."""


@dataclass(frozen=True)
class Stream:
    """What comes before an interruption and after it, each in pieces; nothing after it: there was none."""

    choice: int
    before: list[bytes]
    after: list[bytes]

    @property
    def parts(self) -> list[bytes]:
        """What comes without an interruption."""
        return [b"".join(p) for p in (self.before, self.after) if p]


def told(data: bytes, seal: Callable[[int, bytes], bytes]) -> Stream:
    """Read: which configuration, how many cuts and where the interruption is, the lengths of the pieces, the bytes."""
    choice, how, *_ = data[:2].ljust(2, b"\x00")
    cuts, interrupted = how & 15, how >> 4
    lengths, body = data[2 : 2 + cuts], data[2 + cuts :]
    pieces = body.split(MARK)
    stream = b"".join(seal(choice, piece) if k % 2 else piece for k, piece in enumerate(pieces))
    middle = len(stream) * interrupted // 16 if interrupted else len(stream)
    return Stream(choice, _cut(stream[:middle], lengths), _cut(stream[middle:], lengths))


def _cut(data: bytes, lengths: bytes) -> list[bytes]:
    found = []
    for length in lengths:
        found.append(data[:length])
        data = data[length:]
    return [*found, data] if found or data else []
