"""Bytes from a file, as fast as they are taken."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Annotated, BinaryIO, ClassVar

from pydantic import Field

from livealign.stream.contracts import Clock, Frame, LinkEvent, LinkState, Options

__all__ = ["FileDriver", "FileOptions"]


class FileOptions(Options):
    """Which file, and in what pieces."""

    path: Path
    chunk_bytes: Annotated[int, Field(ge=1, le=1 << 24)] = 65536


class FileDriver:
    """Reads a file once, says "ended" and then waits to be closed."""

    options_model: ClassVar[type[Options]] = FileOptions

    def __init__(self, link: str, options: FileOptions, clock: Clock) -> None:
        self.link = link
        self._options = options
        self._clock = clock
        self._closed = asyncio.Event()
        self._file: BinaryIO | None = None

    async def __aiter__(self) -> AsyncIterator[Frame | LinkEvent]:
        """Yield "open", the file's bytes and "ended"; or "refused" if it cannot be read."""
        if self._file is not None:
            raise RuntimeError(f"link {self.link!r} is being read already")
        if self._closed.is_set():
            return
        try:
            try:
                self._file = self._open()
                yield self._event("open")
                while payload := self._next_chunk():
                    yield Frame(self.link, payload, self._clock())
                    await asyncio.sleep(0)  # a long file must not hold up the other tasks
            except OSError as e:
                yield self._event("refused", f"the file {self._options.path} cannot be read: {_advice(e)}")
            else:
                if not self._closed.is_set():
                    yield self._event("ended")
            await self._closed.wait()
        finally:
            self._let_go()

    async def close(self) -> None:
        """End the iteration and close the file; may be called more than once."""
        self._closed.set()
        self._let_go()

    def _open(self) -> BinaryIO:
        if self._options.path.exists() and not self._options.path.is_file():
            raise OSError("it is not a plain file")  # reading a pipe would hang the program
        return self._options.path.open("rb")

    def _next_chunk(self) -> bytes:
        return b"" if self._file is None else self._file.read(self._options.chunk_bytes)

    def _let_go(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def _event(self, state: LinkState, detail: str = "") -> LinkEvent:
        return LinkEvent(self.link, state, self._clock(), detail)


def _advice(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "it is not there; correct `path` in the rig file, or put the file there and start again"
    if isinstance(error, PermissionError):
        return "you may not read it; change its permissions and start again"
    return f"{error.strerror or error}; correct `path` in the rig file and start again"
