"""Asking heads that only answer: what is sent, and when."""

import asyncio
import math
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from livealign.stream.contracts import Options

__all__ = ["Asking", "Request", "Schedule"]

Seconds = Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False)]

LONGEST = 512
PATIENCE = 3
"""So many requests in a row without an answer, and so long, before the person is told."""
PATIENCE_S = 1.0
PAUSE_S = 0.02
SHOWN = 40


class Request(Options):
    """What to send, either as text or as bytes, and when to send it."""

    text: Annotated[str, Field(min_length=1, max_length=LONGEST)] | None = None
    r"""Sent in UTF-8, with nothing added: a line end is part of it, as in "R\r\n"."""
    hex: Annotated[str, Field(min_length=2, max_length=4 * LONGEST)] | None = None
    """Bytes in hexadecimal, such as "0103 0000 0002 c40b"."""
    every_s: Annotated[float, Field(ge=0.001, le=3600, allow_inf_nan=False)] | None = None
    """Ask at this interval; what is late is left out, not made up for."""
    after_answer: bool = False
    """Ask again once the answer has come; with `every_s`, at its next turn."""
    answer_within_s: Seconds | None = None
    """With `after_answer`: ask again if nothing has come by then; left out, 1."""
    pause_s: Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)] | None = None
    """With `after_answer`: an answer has ended once nothing has come for so long; left out, 0.02."""

    @property
    def payload(self) -> bytes:
        """The bytes to send."""
        return bytes.fromhex(self.hex) if self.hex is not None else (self.text or "").encode()

    @property
    def shown(self) -> str:
        """The request as the rig file has it, shortened."""
        told = repr(self.text) if self.text is not None else f"hex {self.hex}"
        return told if len(told) <= SHOWN else told[:SHOWN] + "..."

    @field_validator("hex")
    @classmethod
    def _is_hexadecimal(cls, given: str | None) -> str | None:
        try:
            bytes.fromhex(given or "")
        except ValueError:
            raise ValueError('two hexadecimal digits a byte are needed, such as "0103 0000"') from None
        return given

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if (self.text is None) == (self.hex is None):
            raise ValueError("what to send is `text` or `hex`: give one of them")
        if self.every_s is None and not self.after_answer:
            raise ValueError("when to ask is missing: give `every_s`, or after_answer = true")
        for key in ("answer_within_s", "pause_s"):
            if getattr(self, key) is not None and not self.after_answer:
                raise ValueError(f"`{key}` belongs to after_answer = true")
        return self


class Schedule:
    """When to ask next, and whether answers come; times are in seconds of any one clock, given to it."""

    def __init__(self, request: Request) -> None:
        self._every_s = request.every_s
        self._after_answer = request.after_answer
        self._within_s = 1.0 if request.answer_within_s is None else request.answer_within_s
        self._pause_s = PAUSE_S if request.pause_s is None else request.pause_s
        self._shown = request.shown
        self.begin(0.0)

    def begin(self, now_s: float) -> None:
        """The link stands: the first request is due now."""
        self._start_s = self._asked_s = self._quiet_since_s = now_s
        self._tick = 0
        self._asked = self._in_vain = 0
        self._answered = True
        self._ever_answered = False
        self._complained = False
        self.due_s = now_s

    def heard(self, now_s: float) -> str | None:
        """Bytes came; return an empty text if the head was said not to answer, else None."""
        self._answered = self._ever_answered = True
        self._quiet_since_s = now_s
        self._in_vain = 0
        if self._after_answer and self._asked:
            self.due_s = self._turn_from(now_s + self._pause_s)
        complained, self._complained = self._complained, False
        return "" if complained else None

    def asked(self, now_s: float) -> str | None:
        """A request goes out; return what to tell the person of the ones before it, if anything new."""
        if self._asked and not self._answered:
            self._in_vain += 1
        self._asked += 1
        self._answered = False
        self._asked_s = now_s
        if self._every_s is not None:
            # Against the start: what is late does not move the turns after it.
            self._tick = max(self._tick, math.floor((now_s - self._start_s) / self._every_s)) + 1
        self.due_s = self._turn_from(now_s + self._within_s if self._after_answer else now_s)
        enough = self._in_vain >= PATIENCE and now_s - self._quiet_since_s >= PATIENCE_S
        if self._complained or not enough:
            return None
        self._complained = True
        return self._complaint()

    def _turn_from(self, earliest_s: float) -> float:
        """Return the first turn of the interval from a time on; without an interval that time itself."""
        if self._every_s is None:
            return earliest_s
        turn = max(self._tick, math.ceil((earliest_s - self._start_s) / self._every_s))
        return self._start_s + turn * self._every_s

    def _complaint(self) -> str:
        if self._ever_answered:
            return (
                f"the head no longer answers the request {self._shown} ({self._in_vain} in a row without an "
                "answer): is it still switched on, and its cable whole?"
            )
        return (
            f"the head does not answer the request {self._shown} ({self._in_vain} in a row without an answer): is "
            "it switched on, and connected both ways? Else correct `request` in the rig file, or the speed of the "
            "link, to what it understands"
        )


class Asking:
    """Sends the request of one link by its schedule, in the loop."""

    def __init__(self, request: Request, say: Callable[[str], None]) -> None:
        """Prepare to ask; `say` is given what to tell the person, and an empty text once all is well again."""
        self._payload = request.payload
        self._after_answer = request.after_answer
        self._schedule = Schedule(request)
        self._say = say
        self._sooner = asyncio.Event()

    def heard(self) -> None:
        """Bytes came from the head."""
        self._tell(self._schedule.heard(_now_s()))
        if self._after_answer:
            self._sooner.set()

    async def run(self, send: Callable[[bytes], Awaitable[None]]) -> None:
        """Ask until this is cancelled."""
        self._schedule.begin(_now_s())
        while True:
            wait_s = self._schedule.due_s - _now_s()
            if wait_s > 0:
                self._sooner.clear()
                with suppress(TimeoutError):
                    async with asyncio.timeout(wait_s):
                        await self._sooner.wait()
                continue
            self._tell(self._schedule.asked(_now_s()))
            await send(self._payload)
            await asyncio.sleep(0)

    def _tell(self, words: str | None) -> None:
        if words is not None:
            self._say(words)


def _now_s() -> float:
    return asyncio.get_running_loop().time()
