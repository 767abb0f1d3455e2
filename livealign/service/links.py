"""Makes the drivers a rig asks for."""

from pydantic import ValidationError

from livealign.config.rig import Rig
from livealign.errors import PersonError
from livealign.stream.contracts import Clock, Driver
from livealign.stream.registry import driver_class

__all__ = ["build_drivers"]


def build_drivers(rig: Rig, clock: Clock) -> dict[str, Driver]:
    """Return a driver for each link, by the link's name; nothing is opened.

    Raises:
        PersonError: naming every link whose driver is not installed or whose options are wrong.
    """
    drivers: dict[str, Driver] = {}
    errors: list[str] = []
    for link in rig.links:
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
