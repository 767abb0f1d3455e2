"""Lines of numbers with a delimiter between them, plain or labelled, with or without a checksum."""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator, model_validator

from livealign.errors import PersonError
from livealign.stream.contracts import Options, Records
from livealign_drivers._batch import Batch
from livealign_drivers._cells import WHITESPACE, PlainCells, labelled_row, split_cells, written
from livealign_drivers._envelope import Checksum, Envelope, RecordError
from livealign_drivers._lines import LineCutter

__all__ = ["DelimitedFormat", "DelimitedOptions"]

FEW = 8
"""Fewer lines than this are read faster one by one; at least 2, for a header line is read alone."""
NAME = re.compile(r"[A-Za-z_][A-Za-z0-9 _.-]{0,59}")
NOT_NAMES = {"nan", "inf", "infinity"}
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": WHITESPACE, " ": WHITESPACE}


class DelimitedOptions(Options):
    """How a line is built."""

    columns: tuple[str, ...] | None = None
    """Names of the cells in their order; may be left out if a header line tells them."""
    header: bool = False
    """Lines whose cells are names tell the columns."""
    delimiter: str = ","
    """One character, or "whitespace" for any run of blanks and tabs, or "tab"."""
    checksum: Checksum = "none"
    """Over the bytes between prefix and `*`; crc16 is CRC-16/XMODEM, crc32 the usual one of zip files."""
    prefix: Annotated[str, Field(max_length=16, pattern=r"^[!-~]*$")] = ""
    """What every line begins with."""
    label_value: bool = False
    """Cells such as `angle:12.5`, in any order."""
    separator: Literal[":", "="] = ":"
    """Between a label and its value."""
    comment: Annotated[str, Field(max_length=4, pattern=r"^[!-/:-@\[-`{-~]*$")] = "#"
    """Lines that begin so are left out; empty: there are none."""
    decimals: Annotated[int, Field(ge=0, le=15)] = 4
    """Digits after the point when lines are written."""
    max_line: Annotated[int, Field(ge=64, le=65536)] = 1024
    """Longest line in bytes."""

    @field_validator("delimiter")
    @classmethod
    def _one_delimiter(cls, given: str) -> str:
        delimiter = DELIMITERS.get(given, given)
        if delimiter == WHITESPACE or (
            re.fullmatch(r"[\t!-/:-@\[-`{-~]", delimiter) and delimiter not in "+-.*_"
        ):
            return delimiter
        raise ValueError(
            f'{given!r} cannot be a delimiter: give a character such as "," or ";", or "tab", or "whitespace"'
        )

    @field_validator("columns")
    @classmethod
    def _good_names(cls, columns: tuple[str, ...] | None) -> tuple[str, ...] | None:
        if columns is not None and (trouble := _trouble_with_names(columns)):
            raise ValueError(trouble)
        return columns

    @model_validator(mode="after")
    def _fits_together(self) -> "DelimitedOptions":
        if self.columns is None and (self.label_value or not self.header):
            raise ValueError(
                "`columns` is missing: name the cells of a line in their order, or say `header = true`"
            )
        if self.label_value and self.header:
            raise ValueError(
                "`header` and `label_value` exclude each other: labelled cells need no header line"
            )
        if self.label_value and self.separator == self.delimiter:
            raise ValueError(f"`separator` and `delimiter` are both {self.separator!r}: make them different")
        if self.comment and self.prefix.startswith(self.comment):
            raise ValueError(
                f'every line would be a comment: give another than {self.comment!r}, or `comment = ""`'
            )
        if self.comment and self.comment[0] in f"+-.*{self.delimiter}":
            raise ValueError(f"`comment` cannot begin with {self.comment[0]!r}: records may begin so too")
        if self.delimiter == WHITESPACE and any(" " in c for c in self.columns or ()):
            raise ValueError("names in `columns` cannot have blanks where blanks are the delimiter")
        return self


class DelimitedFormat:
    """Reads and writes such lines.

    A first line that is bad is not counted, for it may have been cut; after an interruption a first line that
    neither prefix, checksum nor labels vouch for is not used at all: its first number may have lost digits.
    """

    options_model: ClassVar[type[Options]] = DelimitedOptions

    def __init__(self, options: DelimitedOptions) -> None:
        self._options = options
        self._cutter = LineCutter(options.max_line)
        self._envelope = Envelope(options.prefix.encode(), options.checksum)
        self._comment = options.comment.encode() or None
        self._like_header = re.compile(re.escape(options.prefix.encode()) + rb"[ \t]*[A-Za-z_]")
        self._first = True
        self._fed = False
        self._interrupted = False
        self._set_columns(options.columns or ())

    def decode(self, payload: bytes) -> Records:
        """Return the records completed by this payload; what is incomplete is kept for the next call."""
        self._fed = self._fed or bool(payload)
        lines = self._cutter.feed(payload)
        batch = Batch()
        if self._first and lines:
            self._first = False
            self._read_first(lines.pop(0), batch)
        for run in self._runs(lines):
            if len(run) < FEW or self._options.label_value or not self._columns:
                self._read_singly(run, batch)
            else:
                self._read_together(run, batch)
        return batch.records(self._columns)

    def encode(self, fields: Mapping[str, float]) -> bytes:
        """Return one record as a line; what is missing or NaN gives an empty cell or, labelled, none.

        Raises:
            PersonError: if a value is infinite, or missing where blanks delimit, or no columns are known.
        """
        options = self._options
        if not self._columns:
            raise PersonError("the columns are not known", advice="Name them in `columns` to write lines.")
        digits = {name: written(fields, name, options.decimals) for name in self._columns}
        if options.label_value:
            return self._line([f"{n}{options.separator}{d}" for n, d in digits.items() if d is not None])
        if options.delimiter == WHITESPACE and None in digits.values():
            raise PersonError(
                "a value is missing, which lines with blanks between cells cannot tell",
                advice="Choose another `delimiter`, or `label_value = true`.",
            )
        return self._line([d or "" for d in digits.values()])

    def preamble(self) -> bytes:
        """Return the header line if there is one."""
        return self._line(self._columns) if self._options.header and self._columns else b""

    def reset(self) -> None:
        """Forget an incomplete line: the link was interrupted. Columns told by a header stay."""
        self._cutter.reset()
        self._first = True
        self._interrupted = self._fed

    def _line(self, cells: Sequence[str]) -> bytes:
        delimiter = " " if self._options.delimiter == WHITESPACE else self._options.delimiter
        return self._envelope.wrap(delimiter.join(cells).encode()) + b"\n"

    def _set_columns(self, columns: tuple[str, ...]) -> None:
        self._columns = columns
        self._cells = PlainCells(len(columns), self._options.delimiter)

    def _runs(self, lines: list[bytes]) -> Iterator[list[bytes]]:
        """Cut the lines where the columns may change."""
        done = 0
        if self._options.header:
            for at in [i for i, line in enumerate(lines) if self._like_header.match(line)]:
                yield lines[done:at]
                yield lines[at : at + 1]
                done = at + 1
        yield lines[done:]

    def _read_first(self, line: bytes, batch: Batch) -> None:
        doubtful = self._interrupted and not self._envelope.vouches and not self._options.label_value
        if doubtful and self._columns:
            return
        try:
            row = self._read(line)
        except RecordError:
            return
        if row is not None:
            batch.add_row(self._columns, row)

    def _read_singly(self, lines: list[bytes], batch: Batch) -> None:
        for line in lines:
            try:
                row = self._read(line)
            except RecordError as e:
                batch.add_bad(line, str(e))
            else:
                if row is not None:
                    batch.add_row(self._columns, row)

    def _read_together(self, lines: list[bytes], batch: Batch) -> None:
        values, plain = self._plain_rows(lines)
        if plain.all():
            batch.add_rows(self._columns, values)
            return
        rows = np.full((len(lines), len(self._columns)), np.nan)
        rows[plain] = values
        for i in np.flatnonzero(~plain).tolist():
            try:
                row = self._read(lines[i])
            except RecordError as e:
                batch.add_bad(lines[i], str(e))
            else:
                if row is not None:
                    rows[i] = row
                    plain[i] = True
        batch.add_rows(self._columns, rows[plain])

    def _plain_rows(self, lines: list[bytes]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Read the lines that have nothing special about them; return their numbers, and which they are."""
        left = np.arange(len(lines))
        plain = np.ones(len(lines), np.bool_)
        while len(left):
            picked = lines if len(left) == len(lines) else [lines[i] for i in left.tolist()]
            values, right = self._rows_if_all_plain(picked)
            if values is not None:
                return values, plain
            plain[left[~right]] = False
            left = left[right]
        return np.empty((0, len(self._columns))), plain

    def _rows_if_all_plain(self, lines: list[bytes]) -> tuple[NDArray[np.float64] | None, NDArray[np.bool_]]:
        text = np.frombuffer(bytearray(b"\n".join(lines) + b"\n"), np.uint8)
        ends = np.flatnonzero(text == ord("\n"))
        starts = np.concatenate(([0], ends[:-1] + 1))
        right = ends - starts <= self._options.max_line
        if right.all():
            text, right = self._envelope.unwrap_many(text, starts, ends)
        if not right.all():
            return None, right
        return self._cells.rows(text)

    def _read(self, line: bytes) -> list[float] | None:
        """Return the numbers of any line, or None if it is blank, a comment or a header."""
        if len(line) > self._options.max_line:
            raise RecordError(f"is longer than {self._options.max_line} bytes")
        line = line.rstrip(b" \t")
        if not line or (self._comment and line.lstrip(b" \t").startswith(self._comment)):
            return None
        body = self._envelope.unwrap(line)
        if self._options.label_value:
            return labelled_row(body, self._columns, self._options.delimiter, self._options.separator)
        if self._options.header and self._read_header(body):
            return None
        if not self._columns:
            raise RecordError("comes before any header line, so its columns are not known")
        return self._cells.row(body)

    def _read_header(self, body: bytes) -> bool:
        cells = split_cells(body, self._options.delimiter)
        columns = tuple(c.strip(b" \t").decode("latin-1") for c in cells)
        if _trouble_with_names(columns):
            return False
        if absent := [c for c in self._options.columns or () if c not in columns]:
            raise RecordError(f"is a header without {', '.join(absent)}")
        if columns != self._columns:
            self._set_columns(columns)
        return True


def _trouble_with_names(columns: Sequence[str]) -> str:
    if not columns:
        return "there must be one column at least"
    for name in columns:
        if not NAME.fullmatch(name) or name.lower() in NOT_NAMES:
            return f"{name!r} cannot name a column: use letters, digits, blanks and _ . -, a letter first"
    doubled = sorted({c for c in columns if columns.count(c) > 1})
    return f"{', '.join(doubled)} comes twice among the columns" if doubled else ""
