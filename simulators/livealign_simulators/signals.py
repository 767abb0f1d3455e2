"""Signals that ask a program to end."""

import asyncio
import signal
import sys

__all__ = ["cancel_on_signals"]


def cancel_on_signals() -> None:
    """Cancel the running task at Ctrl-C, SIGTERM or SIGHUP; a second signal does not disturb its cleaning up."""
    task = asyncio.current_task()
    if task is None or sys.platform == "win32":
        return  # there Ctrl-C arrives as KeyboardInterrupt

    def cancel() -> None:
        if not task.cancelling():
            task.cancel()

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, cancel)
