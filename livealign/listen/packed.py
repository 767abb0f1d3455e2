"""Packed binary records: how they are told apart, their checksum, and the numbers in them as far as they can be told.

Which numbers the bytes hold is told by how smoothly they run: for each way of cutting a record the bits are counted that
it takes to tell each number from the ones before. The way that takes least is the guess.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livealign.listen.guess import Field, Shape
from livealign.listen.heard import Heard, decoded

__all__ = ["packed_shapes"]

Bytes = NDArray[np.uint8]

FEWEST = 8
"""Records, below which nothing is said."""
LOOKED_AT = 16384
"""Bytes."""
LONGEST = 256
MOST_ROWS = 300
SIZES = {"crc32": 4, "crc16-ccitt": 2, "crc16-xmodem": 2, "crc16-modbus": 2, "sum8": 1, "xor8": 1}
WIDTHS = {"B": 1, "H": 2, "I": 4, "Q": 8, "f": 4, "d": 8}
PRICE = {"B": 4.0, "H": 3.0, "I": 2.5, "Q": 4.0, "f": 2.0, "d": 2.5}
"""In bits: fewer numbers explain more."""
EVEN = 0.05
LEAST_FLOAT, GREATEST_FLOAT = 1e-6, 1e8
FAMILIAR = tuple(bytes.fromhex(w) for w in ("aa55", "55aa", "a55a", "5aa5", "eb90", "ffff", "feef", "cafe"))
"""Sync words that are often used; common practice, no source."""
NO_SUM = "no checksum that is known fits: numbers that are wrong cannot be told from right ones"
LAYOUT_DOUBT = "which numbers the bytes hold is guessed from how smoothly they run; compare with the device's description"


class _Sum(NamedTuple):
    """A checksum at the end of a record."""

    kind: str = "none"
    covers: str = "numbers"
    order: str | None = None


def packed_shapes(heard: Heard) -> Iterator[Shape]:
    """Yield how packed records could be read."""
    heard = heard.newest(LOOKED_AT)
    for framing, size in _frames(heard):
        rows = _rows({"framing": framing}, size, heard)
        if len(rows) >= FEWEST:
            yield from _of_frames(framing, rows)
    yield from _of_sync(heard)


def _frames(heard: Heard) -> Iterator[tuple[str, int]]:
    """Yield the framings that cut nearly everything into pieces of one length, and that length."""
    if heard.messages:
        yield from _one_length("message", [len(p) for p in heard.pieces])
    data = heard.data
    blocks = [b for b in data.split(b"\x00")[1:-1] if b]
    if blocks and sum(_is_cobs(b) for b in blocks) > 0.9 * len(blocks):
        yield from _one_length("cobs", [len(b) - 1 for b in blocks])
    frames = [f for f in data.split(b"\xc0")[1:-1] if f]
    if frames and sum(_is_slip(f) for f in frames) > 0.9 * len(frames):
        yield from _one_length("slip", [len(f) - f.count(b"\xdb") for f in frames])


def _one_length(framing: str, lengths: list[int]) -> Iterator[tuple[str, int]]:
    if len(lengths) < FEWEST:
        return
    size, count = Counter(lengths).most_common(1)[0]
    if count > 0.8 * len(lengths) and 2 <= size <= LONGEST:
        yield framing, size


def _is_cobs(block: bytes) -> bool:
    at = 0
    while at < len(block):
        at += block[at]
    return at == len(block) and len(block) > 1


def _is_slip(frame: bytes) -> bool:
    return all(piece[:1] in (b"\xdc", b"\xdd") for piece in frame.split(b"\xdb")[1:])


def _rows(options: dict[str, object], size: int, heard: Heard) -> Bytes:
    """Return records as rows of bytes."""
    names = [f"b{k}" for k in range(size)]
    found = decoded("binary", {"layout": f"<{size}B", "columns": names, **options}, heard)
    if not found.count:
        return np.empty((0, size), np.uint8)
    return np.column_stack([found.columns[n] for n in names])[:MOST_ROWS].astype(np.uint8)


def _of_frames(framing: str, rows: Bytes) -> Iterator[Shape]:
    fixed = _fixed(rows)
    lead = int(np.argmin(fixed)) if not fixed.all() else len(fixed)
    begins = dict.fromkeys([0, *range(1, min(lead, 4) + 1)])
    words = {
        "message": "each message is a record",
        "cobs": "zeros end frames that are stuffed as COBS",
        "slip": "frames end in C0 as in SLIP",
    }
    for begin in begins:
        for found in _sums(rows, begin):
            yield from _shape(framing, rows, begin, found, (1.0, words[framing]))
            return
    # The stuffing itself is proof; messages of one length are not.
    strength = 0.7 if framing == "message" else 0.85
    yield from _shape(framing, rows, 0, _Sum(), (strength, words[framing]))


def _of_sync(heard: Heard) -> Iterator[Shape]:
    data = np.frombuffer(heard.data[:LOOKED_AT], np.uint8)
    for period in _periods(data):
        rows = _windowed(data, period)
        if len(rows) < FEWEST:
            continue
        starts = _starts(_fixed(rows))
        for start, length in starts:
            turned = _windowed(data[start:], period)
            for begin in range(1, min(length, 4) + 1):
                found = next(_sums(turned, begin, unsure=begin == 1), None)
                if found is None:
                    continue
                if found.covers == "all" and begin == 1 and length > 1:
                    begin = 2  # noqa: PLW2901 - the sum does not tell how long it is
                yield from _synced(heard, turned, begin, found, 1.0)
                return
        good = [(s, n) for s, n in starts if n > 1 and rows[0].take(range(s, s + n), mode="wrap").any()]
        if not good:
            continue
        start, length = max(
            good, key=lambda g: (rows[0].take([g[0], g[0] + 1], mode="wrap").tobytes() in FAMILIAR, g[1])
        )
        yield from _synced(heard, _windowed(data[start:], period), 2, _Sum(), 0.6)
        return


def _synced(heard: Heard, rows: Bytes, begin: int, found: _Sum, strength: float) -> Iterator[Shape]:
    sync = rows[0, :begin].tobytes().hex()
    true = _rows({"framing": "sync", "sync": sync}, rows.shape[1] - begin, heard)
    if len(true) < FEWEST:
        return
    whole = np.column_stack([np.tile(rows[0, :begin], (len(true), 1)), true])
    words = f"{sync.upper()} comes every {rows.shape[1]} bytes"
    yield from _shape("sync", whole, begin, found, (strength, words))


def _periods(data: Bytes) -> list[int]:
    """Return the distances at which bytes come again, the likeliest first."""
    most = min(LONGEST, len(data) // FEWEST)
    if most < 4:
        return []
    again = np.array([np.mean(data[:-k] == data[k:]) for k in range(4, most)])
    order = np.argsort(-again, kind="stable")[:8] + 4
    # Twice a period is one too: the shortest of those that are as good comes first.
    return sorted((int(k) for k in order), key=lambda k: (sum(k % j == 0 for j in order if j < k), k))


def _windowed(data: Bytes, period: int) -> Bytes:
    count = min(len(data) // period, MOST_ROWS)
    return data[: count * period].reshape(count, period)


def _fixed(rows: Bytes) -> NDArray[np.bool_]:
    """Tell which bytes are the same in nearly every record."""
    middle = np.median(rows, axis=0).astype(np.uint8)
    return np.asarray(np.mean(rows == middle, axis=0) > 0.9)


def _starts(fixed: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return where, around the record, runs of fixed bytes may begin a record, and how many follow each."""
    size = len(fixed)
    if fixed.all():
        return []
    found = []
    for at in range(size):
        length = 0
        while fixed[(at + length) % size] and length < size:
            length += 1
        if length:
            found.append((at, length))
    # A record more likely begins where a run does.
    return sorted(found, key=lambda f: bool(fixed[f[0] - 1]))[:24]


def _sums(rows: Bytes, begin: int, *, unsure: bool = False) -> Iterator[_Sum]:
    """Yield the checksums, what they cover and their order of bytes, that fit all but a few records."""
    few, many = rows[:3], rows[: 40 if not unsure else 80]
    for kind, covers in product(SIZES, ("numbers", "all") if begin else ("numbers",)):
        for order in ("little", "big") if SIZES[kind] > 1 else (None,):
            fits = _fitting(rows.shape[1], rows[0, :begin].tobytes(), kind, covers, order)
            # The first may be damaged.
            if fits is None or sum(map(fits, few)) < min(2, len(few)) or _is_still(rows, SIZES[kind]):
                continue
            if sum(map(fits, many)) > 0.8 * len(many):
                yield _Sum(kind, covers, order)


def _is_still(rows: Bytes, size: int) -> bool:
    return bool(np.all(rows[:, -size:] == rows[0, -size:]))


def _fitting(
    size: int, begin: bytes, kind: str, covers: str, order: str | None
) -> Callable[[Bytes], bool] | None:
    rest = size - len(begin) - SIZES[kind]
    if rest < 1:
        return None
    options = {
        "layout": f"<{rest - 1}xB" if rest > 1 else "<B",
        "columns": ["c1"],
        "framing": "message",
        "sync": begin.hex(),
        "checksum": kind,
        "checksum_covers": covers,
        "checksum_order": order or "little",
    }

    def fits(row: Bytes) -> bool:
        return decoded("binary", options, Heard((row.tobytes(),))).count == 1

    return fits


def _shape(framing: str, rows: Bytes, begin: int, found: _Sum, proof: tuple[float, str]) -> Iterator[Shape]:
    kind, covers, order = found
    strength, words = proof
    numbers = rows[:, begin : rows.shape[1] - SIZES.get(kind, 0)]
    if numbers.shape[1] == 0:
        return
    little, letters = _layout(numbers)
    columns = [f"c{k + 1}" for k in range(len(letters))]
    options: dict[str, object] = {"layout": ("<" if little else ">") + letters, "columns": columns}
    if framing != "sync":
        options["framing"] = framing
    if begin:
        options["sync"] = rows[0, :begin].tobytes().hex()
    reasons, doubts = [f"records of {rows.shape[1]} bytes: {words}"], [LAYOUT_DOUBT]
    if kind != "none":
        options["checksum"] = kind
        if covers == "all":
            options["checksum_covers"] = "all"
        if order is not None and (order == "little") != little:
            options["checksum_order"] = order
        reasons.append(f"the checksum {kind} at their end is right")
    else:
        doubts.append(NO_SUM)
    bits = {"B": 8, "H": 16, "I": 32, "Q": 64}
    fields = tuple(Field(c, bits=bits.get(x.upper(), 0)) for c, x in zip(columns, letters, strict=True))
    yield Shape("binary", options, fields, strength, tuple(reasons), tuple(doubts))


def _layout(rows: Bytes) -> tuple[bool, str]:
    """Return whether the low byte comes first, and the letters of the numbers."""
    found = [(*_cheapest(rows, little=little), little) for little in (True, False)]
    _, letters, little = min(found, key=lambda f: f[0])
    return little, letters


def _cheapest(rows: Bytes, *, little: bool) -> tuple[float, str]:
    size = rows.shape[1]
    best: list[tuple[float, str]] = [(0.0, "")]
    for end in range(1, size + 1):
        ways = []
        for letter, width in WIDTHS.items():
            at = end - width
            if at >= 0 and np.isfinite(best[at][0]):
                cost, kind = _cost(rows[:, at:end], letter, little=little)
                ways.append((best[at][0] + cost, best[at][1] + kind))
        best.append(min(ways))
    return best[size]


def _cost(cells: Bytes, letter: str, *, little: bool) -> tuple[float, str]:
    """Return the bits a number takes by the ones before it, and its letter with or without sign."""
    width = WIDTHS[letter]
    raw = np.ascontiguousarray(cells if not little else cells[:, ::-1])
    unsigned = raw.view(f">u{width}")[:, 0]
    signed = unsigned.astype(f"u{width}").view(f"i{width}")
    if letter in "fd":
        cost = _float_cost(unsigned.astype(f"u{width}").view(f"f{width}"), letter)
        # What counts evenly is more likely a whole number whose bytes happen to look like a float.
        return cost + (3.0 if width == 4 and _regular(signed) else 0.0), letter
    if width == 8 and float(np.median(unsigned)) > 2.0**53:
        return np.inf, letter  # no clock counts so far
    cost = _bits(signed, width) + PRICE[letter]
    if width >= 4 and not _regular(signed) and np.median(np.abs(signed.astype(float))) > 2.0**28:
        cost += 3.0  # so large a whole number that is no clock is more likely a float
    if _regular(signed):  # it counts, and counters have no sign
        return cost, letter
    smaller = np.abs(signed.astype(float)).max() < unsigned.astype(float).max()
    return cost, letter.lower() if smaller or signed.min() < 0 < signed.max() else letter


def _float_cost(cells: NDArray[np.floating], letter: str) -> float:
    """Return the bits a float takes by the ones before it; infinite if it is none that a sensor sends."""
    with np.errstate(invalid="ignore"):
        values = cells.astype(float)
    size = np.abs(values[values != 0.0])
    if not np.all(np.isfinite(values)) or size.size == 0:
        return np.inf
    if np.mean((size >= LEAST_FLOAT) & (size <= GREATEST_FLOAT)) < 0.99:
        return np.inf
    # Counted in the last places of a number of the usual size: around 0 floats have many more.
    place = float(np.median(size)) * float(np.finfo(cells.dtype).eps)
    told = [np.log2(1.0 + np.abs(d) / place) for d in (np.diff(values), np.diff(values, 2)) if d.size]
    width = 8.0 * cells.dtype.itemsize
    return PRICE[letter] + min((float(np.minimum(t, width).mean()) for t in told), default=0.0)


def _bits(values: NDArray[np.signedinteger], width: int) -> float:
    with np.errstate(over="ignore"):
        steps = np.diff(values)
        turns = np.diff(steps)
    told = [float(np.minimum(_log2(d), 8.0 * width).mean()) for d in (steps, turns) if d.size]
    if len(told) < 2:
        return 0.0
    # Even steps are told once; large ones are the work of bytes in the wrong order.
    return min(told[0], told[1] + EVEN * float(_log2(np.median(steps))))


def _log2(numbers: NDArray[Any] | np.floating[Any]) -> NDArray[np.float64]:
    return np.asarray(np.log2(1.0 + np.abs(np.asarray(numbers, float))))


def _regular(values: NDArray[np.signedinteger]) -> bool:
    """Tell whether the steps from number to number are all nearly the same."""
    with np.errstate(over="ignore"):
        steps = np.diff(values).astype(float)
    middle = float(np.median(steps)) if steps.size else 0.0
    return middle > 0 and float(np.median(np.abs(steps - middle))) < 0.2 * middle
