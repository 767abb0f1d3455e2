"""Packed records of numbers, found by a sync word, by COBS or SLIP frames, or one a message."""

import re
from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field, field_validator, model_validator

from livealign.stream.contracts import Options, Records
from livealign_drivers._batch import Batch
from livealign_drivers._checksums import BinaryChecksum
from livealign_drivers._envelope import RecordError
from livealign_drivers._packed import Layout, Packed
from livealign_drivers._scale import Factor, check_scale
from livealign_drivers._stuffing import FrameCutter, Stuffing, most_stuffed, stuffed, unstuffed
from livealign_drivers._sync import SyncScanner

__all__ = ["BinaryFormat", "BinaryOptions"]


class BinaryOptions(Options):
    """How a record is packed and where it begins."""

    layout: str
    """Letters of Python's struct module: `<` or `>`, then one for each number, such as `"<Ihhf"`."""
    columns: Annotated[tuple[Annotated[str, Field(min_length=1, max_length=60)], ...], Field(min_length=1)]
    """Names of the numbers in their order."""
    framing: Literal["sync", "cobs", "slip", "message"] = "sync"
    """sync: records begin with a sync word; cobs, slip: frames of that kind; message: each message is a record."""
    sync: str = ""
    """The sync word in hexadecimal, such as "aa55"; with other framings, a fixed beginning if there is one."""
    checksum: BinaryChecksum = "none"
    """Behind the numbers."""
    checksum_covers: Literal["numbers", "all"] = "numbers"
    """all: the sync word as well."""
    checksum_order: Literal["little", "big"] | None = None
    """Which byte of the checksum comes first; left out: as in the layout."""
    scale: dict[str, Factor] = Field(default_factory=dict)
    """Column -> what its number is multiplied by."""

    @field_validator("layout")
    @classmethod
    def _good_layout(cls, layout: str) -> str:
        Layout(layout)
        return layout

    @field_validator("sync")
    @classmethod
    def _hexadecimal(cls, sync: str) -> str:
        if re.fullmatch(r"(?:[0-9A-Fa-f]{2}){0,8}", sync) is None:
            raise ValueError(f'{sync!r} is no sync word: give 1 to 8 bytes in hexadecimal, such as "aa55"')
        return sync

    @model_validator(mode="after")
    def _fits_together(self) -> "BinaryOptions":
        count = len(Layout(self.layout).letters)
        if len(self.columns) != count:
            raise ValueError(f"`layout` has {count} numbers, `columns` names {len(self.columns)}")
        if doubled := sorted({c for c in self.columns if self.columns.count(c) > 1}):
            raise ValueError(f"{', '.join(doubled)} comes twice among the columns")
        if self.framing == "sync" and not self.sync:
            raise ValueError('`sync` is missing: give the bytes every record begins with, such as "aa55"')
        check_scale(self.scale, self.columns)
        return self


class BinaryFormat:
    """Reads and writes such records.

    A damaged record is lost, and no other, if there is a checksum; with a sync word and none, the one after it may
    be lost too, and numbers may be wrong that nothing can tell from right ones.
    """

    options_model: ClassVar[type[Options]] = BinaryOptions

    def __init__(self, options: BinaryOptions) -> None:
        self.messages = options.framing == "message"
        """Each payload is a record: it must not be joined with others."""
        self._columns = options.columns
        layout, sync = Layout(options.layout), bytes.fromhex(options.sync)
        self._packed = Packed(
            layout,
            options.columns,
            scale=options.scale,
            begin=sync,
            kind=options.checksum,
            order=options.checksum_order or layout.order,
            covers_begin=options.checksum_covers == "all",
        )
        self._stuffing: Stuffing | None = None
        self._scanner = self._cutter = None
        if options.framing == "sync":
            self._scanner = SyncScanner(self._packed, sync, options.columns)
        elif options.framing != "message":
            self._stuffing = options.framing
            self._longest = most_stuffed(options.framing, self._packed.size)
            self._cutter = FrameCutter(options.framing, self._longest)
        self._first = True

    def decode(self, payload: bytes) -> Records:
        """Return the records completed by this payload; what is incomplete is kept for the next call."""
        batch = Batch()
        if self._scanner is not None:
            self._scanner.feed(payload, batch)
        elif self._cutter is not None:
            for data in self._cutter.feed(payload):
                self._read(data, batch, may_be_cut=self._first)
                self._first = False
        elif payload:
            self._read(payload, batch, may_be_cut=False)
        return batch.records(self._columns)

    def encode(self, fields: Mapping[str, float]) -> bytes:
        """Return one record as it would come over the wire.

        Raises:
            PersonError: if a number is infinite or does not fit, or is missing where there is no NaN to tell it.
        """
        frame = self._packed.write(fields)
        return frame if self._stuffing is None else stuffed(self._stuffing, frame)

    def preamble(self) -> bytes:
        """Return nothing: a device begins with a record."""
        return b""

    def reset(self) -> None:
        """Forget an incomplete record: the link was interrupted."""
        if self._scanner is not None:
            self._scanner.reset()
        if self._cutter is not None:
            self._cutter.reset()
        self._first = True

    def _read(self, data: bytes, batch: Batch, *, may_be_cut: bool) -> None:
        try:
            row = self._packed.one(self._unstuffed(data))
        except RecordError as e:
            if not may_be_cut:
                batch.add_bad(data[:32].hex(" ").encode(), str(e))
        else:
            batch.add_row(self._columns, row)

    def _unstuffed(self, data: bytes) -> bytes:
        if self._stuffing is None:
            return data
        if len(data) > self._longest:
            raise RecordError(f"is longer than {self._longest} bytes")
        return unstuffed(self._stuffing, data)
