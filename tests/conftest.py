"""What every test may use, and what every test is held to."""

import asyncio
import inspect
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, before numpy is imported
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from typing import NoReturn

import pytest
from hypothesis import settings

GRACE_S = 5.0
"""How long a thread or task that is already ending may take."""

IN_CI = bool(os.environ.get("CI"))

settings.register_profile("person", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if IN_CI else "person")


@pytest.fixture
def missing() -> Callable[[str], NoReturn]:
    """Call it with the reason when a part of the machine is missing: skips at a person's, fails in CI."""

    def say(reason: str) -> NoReturn:
        if IN_CI:
            pytest.fail(f"missing in CI: {reason}", pytrace=False)
        pytest.skip(reason)

    return say


@pytest.fixture(autouse=True)
def _nothing_left_running(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that leaves a thread behind (daemons aside) or, if it is async, a pending task."""
    function = getattr(request.node, "obj", None)
    before = set(threading.enumerate())
    # Asked for here, before the test's own fixtures: it is then torn down after them.
    if inspect.iscoroutinefunction(function):
        request.getfixturevalue("_no_task_left")
    yield
    until = time.monotonic() + GRACE_S
    left = _threads_since(before)
    while left and time.monotonic() < until:
        left[0].join(0.05)
        left = _threads_since(before)
    if left:
        pytest.fail(f"the test left threads running: {[t.name for t in left]}", pytrace=False)


@pytest.fixture
async def _no_task_left() -> AsyncIterator[None]:
    yield
    left = asyncio.all_tasks() - {asyncio.current_task()}
    if left:
        _, left = await asyncio.wait(left, timeout=GRACE_S)
    if left:
        names = [repr(t.get_coro()) for t in left]
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        pytest.fail(f"the test left tasks pending: {names}", pytrace=False)


def _threads_since(before: set[threading.Thread]) -> list[threading.Thread]:
    # The threads of a loop's executor end with the loop, which outlives the test's own fixtures.
    return [
        t
        for t in threading.enumerate()
        if t not in before and t.is_alive() and not t.daemon and not t.name.startswith("asyncio_")
    ]
