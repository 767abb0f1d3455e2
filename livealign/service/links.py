"""Makes the drivers a rig asks for, reads them, and closes them."""

import asyncio
from collections.abc import AsyncGenerator, Callable, Collection, Mapping

from pydantic import ValidationError

from livealign.config.rig import Rig
from livealign.errors import PersonError
from livealign.stream.contracts import Clock, Driver, Frame, LinkEvent
from livealign.stream.registry import driver_class

__all__ = ["build_drivers", "carried", "close_links"]

_CLOSING_S = 5.0
_BATCH = 64
"""Frames after which everything else in the program gets a turn."""


def build_drivers(rig: Rig, clock: Clock, only: Collection[str] | None = None) -> dict[str, Driver]:
    """Return a driver for each link, by the link's name; nothing is opened.

    Args:
        rig: what is asked for.
        clock: shared with the drivers.
        only: names of the links wanted; None for all.

    Raises:
        PersonError: naming every link whose driver is not installed or whose options are wrong.
    """
    drivers: dict[str, Driver] = {}
    errors: list[str] = []
    for link in rig.links:
        if only is not None and link.name not in only:
            continue
        try:
            kind = driver_class(link.driver.kind)
            options = kind.options_model.model_validate(link.driver.options)
            drivers[link.name] = kind(link.name, options, clock)
        except ValidationError as e:
            errors += [f"link {link.name}: driver.{_key(x['loc'])}: {x['msg']}" for x in e.errors()]
        except PersonError as e:
            errors.append(f"link {link.name}: {e}")
    if errors:
        raise PersonError("\n".join(errors), where=f"rig {rig.name}", advice="See: livealign drivers")
    return drivers


def _key(location: tuple[int | str, ...]) -> str:
    return ".".join(str(part) for part in location)


async def carried(link: str, driver: Driver, clock: Clock) -> AsyncGenerator[Frame | LinkEvent, None]:
    """Yield what a link brings until it is closed; a driver that breaks ends as a refused link."""
    try:
        number = 0
        async for item in driver:
            yield item
            number += 1
            if number % _BATCH == 0:  # a driver with much in its own queue would not let go otherwise
                await asyncio.sleep(0)
    except Exception as e:  # noqa: BLE001 - a broken driver must not take the other links with it
        detail = f"its driver failed: {type(e).__name__}: {e}. Start again; or tell the driver's author."
        yield LinkEvent(link, "refused", clock(), detail)


async def close_links(
    drivers: Mapping[str, Driver], pumps: "Collection[asyncio.Task[None]]", say: Callable[[str], None]
) -> None:
    """Close all links and wait for the tasks that read them; `say` is told of what does not close cleanly."""
    closing = asyncio.gather(*(d.close() for d in drivers.values()), return_exceptions=True)
    try:
        async with asyncio.timeout(_CLOSING_S):
            for failure in await closing:
                if isinstance(failure, Exception):
                    say(f"a link did not close cleanly: {failure}")
            if pumps:
                await asyncio.wait(pumps)
    except TimeoutError:
        say("a link did not close in time; it is left to the operating system")
    for pump in pumps:
        pump.cancel()
    await asyncio.gather(*pumps, return_exceptions=True)
