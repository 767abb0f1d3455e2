"""Finds records of a fixed length that begin with a sync word in a byte stream."""

from livealign_drivers._batch import Batch
from livealign_drivers._envelope import RecordError
from livealign_drivers._packed import Packed

__all__ = ["SyncScanner"]

FEW = 16
"""Fewer records than this are read faster one by one."""
MANY = 4096
"""Most that are read together."""


class SyncScanner:
    """Takes the records out of the stream.

    Its ground state is to look for the sync word, byte by byte. A record that is wrong is given up from its second
    byte on, so a sync word inside it, of the next record, is found. Bytes that belong to no record are told as so
    many bad records as they could have been, rounded up; at the beginning down, for the first may have been cut.
    """

    def __init__(self, packed: Packed, sync: bytes, columns: tuple[str, ...]) -> None:
        self._packed = packed
        self._sync = sync
        self._columns = columns
        self._missing = "does not come where a record should begin"
        self.reset()

    def reset(self) -> None:
        """Forget an incomplete record and what came before."""
        self._rest = b""
        self._lost = 0
        self._allowed = self._packed.size - 1
        self._told = 0

    def feed(self, payload: bytes, batch: Batch) -> None:
        """Add the records that this payload completes."""
        size = self._packed.size
        data = self._rest + payload
        at, streak = 0, FEW
        while True:
            if streak >= FEW and len(data) - at >= FEW * size:
                at = self._read_together(data, at, batch)
                streak = 0
            begin = self._find(data, at)
            self._lose(begin - at, self._sync, self._missing, batch)
            at = begin
            if len(data) - at < size:
                break
            frame = data[at : at + size]
            try:
                row = self._packed.one(frame)
            except RecordError as e:
                self._lose(1, frame, str(e), batch)
                at += 1
                streak = 0
            else:
                batch.add_row(self._columns, row)
                self._found()
                at += size
                streak += 1
        self._rest = data[at:]

    def _read_together(self, data: bytes, at: int, batch: Batch) -> int:
        """Read as many records as follow each other without a fault; return where they end."""
        size, block = self._packed.size, FEW
        while (count := min(block, (len(data) - at) // size)) >= FEW:
            rows, good = self._packed.many(data[at : at + count * size])
            if good:
                batch.add_rows(self._columns, rows)
                self._found()
                at += good * size
            if good < count:
                break
            block = min(2 * block, MANY)
        return at

    def _find(self, data: bytes, at: int) -> int:
        """Return where the next sync word begins or, at the end, may begin."""
        found = data.find(self._sync, at)
        if found >= 0:
            return found
        for k in range(min(len(self._sync) - 1, len(data) - at), 0, -1):
            if data.endswith(self._sync[:k]):
                return len(data) - k
        return len(data)

    def _found(self) -> None:
        self._lost = self._told = self._allowed = 0

    def _lose(self, count: int, shown: bytes, why: str, batch: Batch) -> None:
        self._lost += count
        size = self._packed.size
        due = (self._lost - self._allowed + size - 1) // size
        for _ in range(due - self._told):
            batch.add_bad(shown.hex(" ").encode(), why)
        self._told = max(self._told, due)
