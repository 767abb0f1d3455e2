"""What went wrong with a serial port, and what the person can do about it."""

import errno
import os
from pathlib import Path

import serial
from serial.tools import list_ports

from livealign_drivers._reconnecting import LinkError

try:
    import termios

    PORT_ERRORS: tuple[type[Exception], ...] = (OSError, termios.error)
except ImportError:  # Windows
    PORT_ERRORS = (OSError,)

__all__ = ["PORT_ERRORS", "why_gone", "why_not_open"]

BUSY = (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK)
ABSENT = (errno.ENOENT, errno.ENODEV, errno.ENXIO)


def why_not_open(port: str, error: Exception) -> LinkError:
    """Return what to say of a port that cannot be opened; looking at the machine's ports takes time."""
    code = _code(error)
    if code in ABSENT:
        return LinkError("lost", f"there is no port {port}: plug it in. {_ports_there()}")
    if code in BUSY:
        return LinkError(
            "refused",
            f"{port} is in use by another program: close that program, then this link opens by itself",
        )
    if code in (errno.EACCES, errno.EPERM):
        return LinkError("refused", f"{port} may not be opened: {_permission_advice(port)}")
    if code == errno.ENOTTY or _says(error, "Inappropriate ioctl"):
        return LinkError(
            "refused", f"{port} is not a serial port: correct `port` in the rig file. {_ports_there()}"
        )
    if _says(error, "waiting for option 'control'"):
        why = "the server there has no control lines (DTR, RTS) to set: add ?ign_set_control to `port`"
        return LinkError("refused", f"{port} cannot be set up: {why} in the rig file")
    if isinstance(error, ValueError):
        return LinkError(
            "refused", f"{port} cannot be set up: {error}; correct the link's driver in the rig file"
        )
    return LinkError("lost", f"{port} cannot be opened ({error}): check the cable and the power")


def why_gone(port: str, error: Exception) -> LinkError:
    """Return what to say of a port that was open and has gone."""
    return LinkError("lost", f"{port} has gone ({error}): plug it in again, check the cable and the power")


def _code(error: Exception) -> int | None:
    """The system's error number; pyserial hides it in the text on Windows."""
    if isinstance(error, OSError) and error.errno is not None:
        return error.errno
    if _says(error, "FileNotFoundError"):
        return errno.ENOENT
    if _says(error, "PermissionError"):  # Windows says so of a port that is open elsewhere
        return errno.EBUSY
    return None


def _says(error: Exception, words: str) -> bool:
    return isinstance(error, serial.SerialException) and words in str(error)


def _permission_advice(port: str) -> str:
    if os.name != "posix":
        return "ask whoever administers this computer for the right to use it"
    import grp  # noqa: PLC0415 - only where it exists

    try:
        status = Path(port).stat()
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "ask whoever administers this computer for the right to use it"
    if status.st_mode & 0o060 != 0o060:
        return f"not even its group {group} may read and write it; ask whoever administers this computer"
    return f"join the group that owns it (sudo usermod -aG {group} $USER), then log out and in again"


def _ports_there() -> str:
    try:
        names = sorted(p.device for p in list_ports.comports())
    except OSError:
        names = []
    return (
        f"Ports of this computer: {', '.join(names)}." if names else "This computer has no serial port now."
    )
