"""Tables on disk: CSV for everything, Parquet for those who have pyarrow."""

import csv
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Literal, Protocol, Self, TypeAlias

from livealign.errors import PersonError

__all__ = ["KINDS", "Kind", "Row", "TableWriter", "open_table", "read_table"]

Kind = Literal["csv", "parquet"]
KINDS: tuple[Kind, ...] = ("csv", "parquet")
Value: TypeAlias = str | int | float | bool | None
Row: TypeAlias = Sequence[Value]

_ROWS_AT_ONCE = 10_000
_TYPES = {str: "string", int: "int64", float: "float64", bool: "bool_"}


class TableWriter(Protocol):
    """A table that is written row by row."""

    def row(self, values: Row) -> None:
        """Append one; None is left empty."""
        ...

    def __enter__(self) -> Self:
        """Begin."""
        ...

    def __exit__(self, *error: object) -> None:
        """Finish the file."""
        ...


def open_table(path: Path, columns: dict[str, type]) -> TableWriter:
    """Return a writer of a new table; the suffix of its name tells the kind.

    Raises:
        PersonError: if it cannot be written, or Parquet is wanted and pyarrow is not there.
    """
    return _Parquet(path, columns) if path.suffix == ".parquet" else _Csv(path, columns)


def read_table(path: Path, columns: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    """Yield the values of these columns row by row; of CSV they are text.

    Raises:
        PersonError: if the file cannot be read or lacks a column.
    """
    try:
        yield from (_parquet_rows if path.suffix == ".parquet" else _csv_rows)(path, columns)
    except (OSError, ValueError, csv.Error) as e:
        raise PersonError(f"the table cannot be read: {e}", where=str(path)) from e


class _Csv:
    def __init__(self, path: Path, columns: dict[str, type]) -> None:
        try:
            self._file = path.open("x", encoding="utf-8", newline="")
        except OSError as e:
            raise _unwritable(path, e) from e
        self._writer = csv.writer(self._file)
        self._writer.writerow(columns)

    def row(self, values: Row) -> None:
        # repr gives back the very same number; csv writes floats so by itself.
        self._writer.writerow(values)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self._file.close()


class _Parquet:
    def __init__(self, path: Path, columns: dict[str, type]) -> None:
        pa, parquet = _pyarrow()
        self._schema = pa.schema([(name, getattr(pa, _TYPES[kind])()) for name, kind in columns.items()])
        self._pa = pa
        self._rows: list[Row] = []
        try:
            if path.exists():
                raise FileExistsError(17, "File exists")
            self._writer = parquet.ParquetWriter(path, self._schema)
        except OSError as e:
            raise _unwritable(path, e) from e

    def row(self, values: Row) -> None:
        self._rows.append(values)
        if len(self._rows) >= _ROWS_AT_ONCE:
            self._flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self._flush()
        self._writer.close()

    def _flush(self) -> None:
        if self._rows:
            named = [dict(zip(self._schema.names, row, strict=True)) for row in self._rows]
            self._writer.write_table(self._pa.Table.from_pylist(named, schema=self._schema))
            self._rows.clear()


def _csv_rows(path: Path, columns: Sequence[str]) -> Iterator[tuple[str, ...]]:
    # A message may be a snapshot of some hundred kilobytes.
    csv.field_size_limit(min(sys.maxsize, 2**31 - 1))
    with path.open(encoding="utf-8", newline="") as f:
        rows = csv.DictReader(f)
        if lacking := [c for c in columns if c not in (rows.fieldnames or ())]:
            raise ValueError(f"it has no column {lacking[0]!r}")
        for row in rows:
            yield tuple(row[c] or "" for c in columns)


def _parquet_rows(path: Path, columns: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    _, parquet = _pyarrow()
    with path.open("rb") as f:
        for batch in parquet.ParquetFile(f).iter_batches(columns=list(columns)):
            yield from zip(*(batch.column(c).to_pylist() for c in columns), strict=True)


def _pyarrow() -> tuple[Any, Any]:
    try:
        import pyarrow as pa  # noqa: PLC0415 - only who wants Parquet needs it
        from pyarrow import parquet  # noqa: PLC0415
    except ImportError as e:
        raise PersonError(
            "Parquet needs the package pyarrow", advice="pip install 'livealign[parquet]', or take CSV."
        ) from e
    return pa, parquet


def _unwritable(path: Path, error: OSError) -> PersonError:
    advice = "Choose another folder or name." if isinstance(error, FileExistsError) else ""
    return PersonError(f"cannot be written: {error.strerror or error}", where=str(path), advice=advice)
