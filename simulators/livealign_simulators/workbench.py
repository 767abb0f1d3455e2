"""What the mechanic and the person need of a bench, whether its time is real or only counted."""

from typing import Protocol

from livealign_simulators.devices import Device
from livealign_simulators.scene import Scene

__all__ = ["Plug", "Workbench"]


class Plug(Protocol):
    """The end of a link that can be pulled out."""

    async def plug(self) -> None:
        """Make it appear."""
        ...

    async def unplug(self) -> None:
        """Make it vanish."""
        ...


class Workbench(Protocol):
    """A scene, its time, and the devices of its links."""

    @property
    def scene(self) -> Scene:
        """What is played."""
        ...

    def now(self) -> float:
        """Return the scene's time in seconds."""
        ...

    async def wait_until(self, time_s: float) -> None:
        """Let the scene's time come to this."""
        ...

    def device(self, link: str) -> Device:
        """Return the device of a link; PersonError if there is none."""
        ...

    def port(self, link: str) -> Plug:
        """Return the port of a link; PersonError if there is none."""
        ...
