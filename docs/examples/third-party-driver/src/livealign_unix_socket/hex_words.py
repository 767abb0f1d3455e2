r"""Lines of hexadecimal words, as a small microcontroller prints them: printf("%04X %04X %04X\n", a, b, a + b)."""

import math
import re
from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from livealign.errors import PersonError
from livealign.stream.contracts import Options, Records
from livealign_drivers.toolbox import LineCutter, shortened

__all__ = ["HexWordsFormat", "HexWordsOptions"]

WORDS = re.compile(rb"[0-9A-Fa-f]{4}(?: [0-9A-Fa-f]{4})*")
LONGEST = 400


class HexWordsOptions(Options):
    """What the words mean: these are the keys of `format = { kind = "hex-words", ... }` in a rig file."""

    columns: Annotated[tuple[str, ...], Field(min_length=1, max_length=50)]
    """Names of the words in their order; one more follows them, their sum modulo 65536."""
    counts_per_unit: dict[str, Annotated[float, Field(gt=0, allow_inf_nan=False)]] = Field(
        default_factory=dict
    )
    """Column -> what its word is divided by; words are signed, in two's complement."""

    @model_validator(mode="after")
    def _known_columns(self) -> "HexWordsOptions":
        if unknown := sorted(self.counts_per_unit.keys() - set(self.columns)):
            raise ValueError(f"`counts_per_unit` names {', '.join(unknown)}, which is no column")
        return self


class HexWordsFormat:
    """Reads and writes such lines. A first line that is bad is not counted, for it may have been cut."""

    options_model: ClassVar[type[Options]] = HexWordsOptions

    def __init__(self, options: HexWordsOptions) -> None:
        self._columns = options.columns
        self._counts_per_unit = np.array([options.counts_per_unit.get(name, 1.0) for name in options.columns])
        self._cutter = LineCutter(LONGEST)
        self._first = True

    def decode(self, payload: bytes) -> Records:
        """Return the records completed by this payload; what is incomplete is kept for the next call."""
        rows, bad, last_bad = [], 0, ""
        for line in self._cutter.feed(payload):
            trouble = self._trouble_with(line)
            if not trouble:
                counts = [int(word, 16) for word in line.split()[:-1]]
                rows.append([c - 65536 if c > 32767 else c for c in counts])
            elif not self._first:
                bad, last_bad = bad + 1, f"{shortened(line)} {trouble}"
            self._first = False
        table = np.array(rows, np.float64).reshape(len(rows), len(self._columns)) / self._counts_per_unit
        return Records(dict(zip(self._columns, table.T, strict=True)), len(rows), bad, last_bad)

    def encode(self, fields: Mapping[str, float]) -> bytes:
        """Return one record as a line.

        Raises:
            PersonError: if a number is missing, or does not fit into a word.
        """
        values = [fields.get(name, math.nan) for name in self._columns]
        counts = [_counted(v, per_unit) for v, per_unit in zip(values, self._counts_per_unit, strict=True)]
        words = [c % 65536 for c in [*counts, sum(counts)]]
        return " ".join(f"{word:04X}" for word in words).encode() + b"\n"

    def preamble(self) -> bytes:
        """Return nothing: every line explains itself."""
        return b""

    def reset(self) -> None:
        """Forget an incomplete line: the link was interrupted."""
        self._cutter.reset()
        self._first = True

    def _trouble_with(self, line: bytes) -> str:
        if WORDS.fullmatch(line) is None:
            return "is no line of words of four hexadecimal digits"
        *words, total = (int(word, 16) for word in line.split())
        if len(words) != len(self._columns):
            return f"has {len(words)} words before their sum, not {len(self._columns)}"
        if sum(words) % 65536 != total:
            return f"says {total:04X}, its words give {sum(words) % 65536:04X}"
        return ""


def _counted(value: float, per_unit: float) -> int:
    if not -32768.5 < value * per_unit < 32767.5:
        raise PersonError(f"the value {value} fits into no word of 16 bits")
    return round(value * per_unit)
