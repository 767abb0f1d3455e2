"""The tests that are shipped for authors find the faults that authors make."""

import asyncio
import inspect
import re

import pytest
from hypothesis import Phase, settings
from hypothesis import strategies as st

from drivers.conftest import TcpPart
from livealign.contract import (
    LINK,
    Case,
    FormatContract,
    Leftovers,
    ReconnectingDriverContract,
    listener,
    several,
)
from livealign.stream.contracts import Frame
from livealign_drivers.delimited import DelimitedFormat
from livealign_drivers.tcp import TcpDriver, TcpOptions

FORGOTTEN = "forgotten"
FLOOD = "a_flood_drops_the_oldest_and_says_so_and_memory_stays_flat"


class Careless(TcpDriver):
    """Forgets what it has started when it is cut short."""

    async def _hold_open(self):
        helper = asyncio.create_task(asyncio.sleep(3600), name=FORGOTTEN)
        await super()._hold_open()
        helper.cancel()


class Hoarding(TcpDriver):
    """Keeps all that comes."""

    most_frames = 10**9


class Silent(TcpDriver):
    """Does not say what it has dropped."""

    async def __aiter__(self):
        async for item in super().__aiter__():
            if isinstance(item, Frame) or not item.dropped:
                yield item


class Repeating(TcpDriver):
    """Says the same again at each attempt in vain."""

    def _say(self, state, detail=""):
        self._state = None
        super()._say(state, detail)


class Faulty(TcpPart):
    def __init__(self, kind: type[TcpDriver]) -> None:
        super().__init__()
        self.kind = kind

    def driver(self, clock):
        return self.kind(LINK, TcpOptions(host="127.0.0.1", port=self.port, reconnect_max_s=0.05), clock)


@pytest.mark.parametrize(
    ("kind", "test", "told"),
    [
        (Careless, "cancelled_at_any_wait_it_leaves_nothing", "left behind"),
        (Careless, "closed_at_any_wait_it_leaves_nothing", "left behind"),
        (Hoarding, FLOOD, "what nobody reads is dropped"),
        (Silent, FLOOD, "each gap is told"),
        (Repeating, "it_waits_for_a_peer_that_is_not_there_yet", "lost"),
    ],
)
async def test_a_fault_of_a_driver_is_found(kind, test, told, clock, listen, monkeypatch):
    monkeypatch.setattr(listener, "PATIENCE_S", 1.0)
    monkeypatch.setattr(ReconnectingDriverContract, "flood_bytes", 4_000_000)
    monkeypatch.setattr(ReconnectingDriverContract, "most_memory_bytes", 2_000_000)
    if kind is Silent:
        monkeypatch.setattr(kind, "most_frames", 64)
    part = Faulty(kind)
    await part.appear()
    method = getattr(ReconnectingDriverContract(), f"test_{test}")
    needs = {"leftovers": Leftovers(), "listen": listen}
    given = {name: value for name, value in needs.items() if name in method.__annotations__}
    drivers = []
    part.driver, make = lambda clock: drivers.append(make(clock)) or drivers[-1], part.driver
    with pytest.raises(AssertionError, match=told):
        await method(present=part, clock=clock, **given)
    for driver in drivers:
        await driver.close()
    for task in asyncio.all_tasks():
        if task.get_name() == FORGOTTEN:
            task.cancel()
    await part.vanish()


class Forgetful(DelimitedFormat):
    """Takes each payload for whole lines."""

    def decode(self, payload):
        records = super().decode(payload)
        self._cutter.reset()
        return records


class Fragile(DelimitedFormat):
    """Believes that everything is text."""

    def decode(self, payload):
        payload.decode("ascii")
        return super().decode(payload)


class Collecting(DelimitedFormat):
    """Keeps what it has read."""

    def decode(self, payload):
        self.__dict__.setdefault("all", []).append(bytearray(payload))
        return super().decode(payload)


class Unshaken(DelimitedFormat):
    """Does not hear of interruptions."""

    def reset(self):
        pass


class Halving(DelimitedFormat):
    """Writes half of what it reads."""

    def encode(self, fields):
        return super().encode({name: value / 2 for name, value in fields.items()})


class Believing(DelimitedFormat):
    """Reads the checksum and does not compare it."""

    def decode(self, payload):
        return super().decode(re.sub(rb"[*]..\n", b"\n", payload))


@pytest.mark.parametrize(
    ("kind", "test"),
    [
        (Forgetful, "any_cutting_gives_the_same"),
        (Fragile, "any_bytes_are_read_and_never_raise"),
        (Collecting, "a_record_without_an_end_does_not_fill_the_memory"),
        (Unshaken, "after_an_interruption_a_cut_record_is_forgotten"),
        (Halving, "what_is_written_is_read_back"),
        (Believing, "a_changed_byte_costs_its_record_and_at_most_one_neighbour"),
    ],
)
def test_a_fault_of_a_format_is_found(kind, test, monkeypatch):
    class Contract(FormatContract):
        format_class = kind

        def fields(self, case):
            return st.fixed_dictionaries({"a": st.integers(0, 9)})

    method = getattr(Contract(), f"test_{test}")
    case = Case({"columns": ("a",), "checksum": "none" if kind is Believing else "xor8"}, checksum=True)
    if hasattr(method, "hypothesis"):
        # Finding a fault is enough here; to make it small takes its time.
        quick = settings(several, phases=[Phase.generate], report_multiple_bugs=False)
        monkeypatch.setattr(method.__func__, "_hypothesis_internal_use_settings", quick)
    (needs,) = inspect.signature(method).parameters
    with pytest.raises((AssertionError, UnicodeDecodeError)):
        method(**{needs: case})
