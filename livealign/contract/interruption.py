"""Interrupts a task at each place where it, or a task it has started, waits."""

import asyncio
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from contextvars import Context, ContextVar, copy_context
from typing import Any

__all__ = ["Countdown", "countable", "start_counted"]


class Countdown:
    """Calls `action` when a coroutine is suspended for the `at`-th time."""

    def __init__(self, at: int, action: Callable[[], object]) -> None:
        self._left = at
        self._action = action

    @property
    def is_over(self) -> bool:
        """Whether it came to that."""
        return self._left <= 0

    def suspended(self) -> None:
        """Count."""
        self._left -= 1
        if self._left == 0:
            self._action()


# A task inherits the context of who starts it: so does what counts its waits, and that of no other task.
_countdown: ContextVar[Countdown | None] = ContextVar("countdown", default=None)


class _Counted(Coroutine[Any, Any, Any]):
    def __init__(self, inner: Coroutine[Any, Any, Any], countdown: Countdown) -> None:
        self._inner = inner
        self._countdown = countdown

    def send(self, value: Any) -> Any:
        return self._suspended(self._inner.send(value))

    def throw(self, *error: Any) -> Any:
        return self._suspended(self._inner.throw(*error))

    def close(self) -> None:
        self._inner.close()

    def __await__(self) -> Any:
        return self._inner.__await__()

    def _suspended(self, waits_for: Any) -> Any:
        self._countdown.suspended()
        return waits_for


def _make_task(
    loop: asyncio.AbstractEventLoop, inner: Any, context: Context | None = None, **options: Any
) -> "asyncio.Task[Any]":
    countdown = (context or copy_context()).get(_countdown)
    if countdown is not None:
        inner = _Counted(inner, countdown)
    return asyncio.Task(inner, loop=loop, context=context, **options)


@contextmanager
def countable() -> Iterator[None]:
    """Let the running loop make tasks whose waits can be counted."""
    loop = asyncio.get_running_loop()
    usual = loop.get_task_factory()
    loop.set_task_factory(_make_task)
    try:
        yield
    finally:
        loop.set_task_factory(usual)


def start_counted(work: Coroutine[Any, Any, None], countdown: Countdown) -> "asyncio.Task[None]":
    """Start a task, within `countable`; every wait of it and of the tasks it starts counts."""
    context = copy_context()
    context.run(_countdown.set, countdown)
    return asyncio.get_running_loop().create_task(work, context=context)
