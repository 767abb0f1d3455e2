"""Cuts a byte stream into lines."""

__all__ = ["LineCutter", "shortened"]

SHOWN = 60


class LineCutter:
    r"""Collects bytes and gives whole lines, which end in \n or \r\n, without their ends.

    A line longer than `max_line` bytes is given as soon as that is known, cut anywhere beyond it, and its
    rest is skipped, so memory stays bounded; whoever takes the lines must call such a line bad.
    """

    def __init__(self, max_line: int) -> None:
        self._max_line = max_line
        self._rest = b""
        self._skipping = False

    def feed(self, payload: bytes) -> list[bytes]:
        """Return the lines that this payload completes."""
        if self._skipping:
            _, newline, payload = payload.partition(b"\n")
            if not newline:
                return []
            self._skipping = False
        end = payload.rfind(b"\n")
        if end < 0:
            lines = []
            self._rest += payload
        else:
            whole = self._rest + payload[:end]
            self._rest = payload[end + 1 :]
            # The last line's \n is cut off already, so its \r has to be cut off by itself.
            lines = whole.removesuffix(b"\r").replace(b"\r\n", b"\n").split(b"\n")
        if len(self._rest.removesuffix(b"\r")) > self._max_line:
            lines.append(self._rest.removesuffix(b"\r"))
            self._rest = b""
            self._skipping = True
        return lines

    def reset(self) -> None:
        """Forget an incomplete line."""
        self._rest = b""
        self._skipping = False


def shortened(line: bytes) -> str:
    """Return the beginning of a line in quotes, with what cannot be printed escaped."""
    return repr(line[:SHOWN])[1:] + ("..." if len(line) > SHOWN else "")
