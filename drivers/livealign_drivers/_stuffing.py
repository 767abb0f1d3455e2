"""Frames that end in a byte which cannot occur inside them: COBS and SLIP."""

from typing import Literal

from livealign_drivers._envelope import RecordError

__all__ = ["FrameCutter", "Stuffing", "most_stuffed", "stuffed", "unstuffed"]

Stuffing = Literal["cobs", "slip"]

END = {"cobs": b"\x00", "slip": b"\xc0"}
MOST_IN_BLOCK = 254
"""Longest run without a zero that one COBS code tells (Cheshire and Baker, Consistent Overhead Byte Stuffing, 1999)."""
ESC, ESC_END, ESC_ESC = b"\xdb", b"\xdc", b"\xdd"
"""RFC 1055."""


def stuffed(kind: Stuffing, frame: bytes) -> bytes:
    """Return a frame as it goes over the wire, with its end; SLIP frames begin with one too, as the RFC advises."""
    if kind == "slip":
        return (
            END["slip"] + frame.replace(ESC, ESC + ESC_ESC).replace(END["slip"], ESC + ESC_END) + END["slip"]
        )
    out = bytearray()
    blocks = frame.split(b"\x00")
    for k, block in enumerate(blocks):
        whole, rest = divmod(len(block), MOST_IN_BLOCK)
        for at in range(0, whole * MOST_IN_BLOCK, MOST_IN_BLOCK):
            out += b"\xff" + block[at : at + MOST_IN_BLOCK]
        # A full block at the very end needs no other after it.
        if rest or not whole or k < len(blocks) - 1:
            out.append(rest + 1)
            out += block[len(block) - rest :]
    return bytes(out) + END["cobs"]


def unstuffed(kind: Stuffing, data: bytes) -> bytes:
    """Return the frame from what came between two ends.

    Raises:
        RecordError: if it cannot have been stuffed so.
    """
    if kind == "slip":
        first, *rest = data.split(ESC)
        plain = {ESC_END: END["slip"], ESC_ESC: ESC}
        if any(piece[:1] not in plain for piece in rest):
            raise RecordError("has an escape that SLIP does not know")
        return first + b"".join(plain[piece[:1]] + piece[1:] for piece in rest)
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        if code == 0 or at + code > len(data):
            raise RecordError("ends before its COBS codes say")
        out += data[at + 1 : at + code]
        at += code
        if code <= MOST_IN_BLOCK and at < len(data):
            out.append(0)
    return bytes(out)


def most_stuffed(kind: Stuffing, size: int) -> int:
    """Return how long a frame of some bytes can get, without its ends."""
    return 2 * size if kind == "slip" else size + size // MOST_IN_BLOCK + 1


class FrameCutter:
    """Collects bytes and gives what comes between two ends, if it is not empty.

    What is longer than `longest` is given cut to one byte more, and its rest is skipped.
    """

    def __init__(self, kind: Stuffing, longest: int) -> None:
        self._end = END[kind]
        self._longest = longest
        self._rest = b""

    def feed(self, payload: bytes) -> list[bytes]:
        """Return what this payload completes."""
        first, *others = payload.split(self._end)
        pieces = [self._rest + first, *others]
        self._rest = pieces.pop()[: self._longest + 1]
        return [piece[: self._longest + 1] for piece in pieces if piece]

    def reset(self) -> None:
        """Forget what is incomplete."""
        self._rest = b""
