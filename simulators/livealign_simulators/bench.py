"""A scene played in real time: every link's device speaking on its own port."""

import asyncio
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from livealign.errors import PersonError
from livealign_simulators.devices import Device
from livealign_simulators.port_kinds import Means, PortKind, close_ports, make_ports, pieces
from livealign_simulators.ports import Port
from livealign_simulators.scene import Scene

__all__ = ["Bench", "PortKind"]

_PACE_S = 0.025


class Bench:
    """An async context: inside it the devices speak, after it no port is left.

    Devices send every 25 ms what they have sampled since, as a USB adapter would.
    """

    def __init__(self, scene: Scene, kind: PortKind | Means, rate_hz: float) -> None:
        """Set up the devices; no port appears yet.

        Raises:
            PersonError: if a link cannot have such a port.
        """
        self.scene = scene
        links = scene.rig.links
        seeds = scene.device_seed.spawn(len(links))
        self.devices = {
            link.name: Device(scene, link, rate_hz, s) for link, s in zip(links, seeds, strict=True)
        }
        self._folder = tempfile.TemporaryDirectory(prefix="livealign-")
        self._means = kind if isinstance(kind, Means) else Means(kind)
        preambles = {name: device.preamble for name, device in self.devices.items()}
        try:
            self.ports: dict[str, Port] = make_ports(preambles, self._means, self.folder)
        except BaseException:
            self._folder.cleanup()
            raise
        self._start_s = 0.0
        self._player: asyncio.Task[None] | None = None

    @property
    def folder(self) -> Path:
        """A folder that lasts as long as the bench."""
        return Path(self._folder.name)

    @property
    def addresses(self) -> dict[str, dict[str, Any]]:
        """By link: the driver options with which a reader finds its port."""
        return {name: port.address for name, port in self.ports.items()}

    def now(self) -> float:
        """Return the scene's time in seconds."""
        return asyncio.get_running_loop().time() - self._start_s

    async def __aenter__(self) -> Self:
        """Plug everything in and start the clock."""
        self._start_s = asyncio.get_running_loop().time()
        try:
            for port in self.ports.values():
                await port.plug()
        except BaseException:
            await self._clear()
            raise
        self._player = asyncio.create_task(self._play(), name="devices")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Unplug everything."""
        if self._player is not None:
            self._player.cancel()
            await asyncio.gather(self._player, return_exceptions=True)
        await self._clear()

    async def wait_until(self, time_s: float) -> None:
        """Sleep until the scene's time has come; let a failure of the devices out."""
        if self._player is None:
            raise RuntimeError("the bench has not been entered")
        done, _ = await asyncio.wait([self._player], timeout=max(0.0, time_s - self.now()))
        for task in done:
            task.result()

    def device(self, link: str) -> Device:
        """Return the device of a link.

        Raises:
            PersonError: if there is none.
        """
        return self.devices[self._known(link)]

    def port(self, link: str) -> Port:
        """Return the port of a link.

        Raises:
            PersonError: if there is none.
        """
        return self.ports[self._known(link)]

    def _known(self, link: str) -> str:
        if link not in self.devices:
            raise PersonError(f"no link is called {link!r}", advice=f"Links: {', '.join(self.devices)}.")
        return link

    async def _play(self) -> None:
        # Each wake-up is scheduled against the start, so that the pace does not drift.
        beat = 0
        while True:
            beat = max(beat + 1, int(self.now() / _PACE_S))
            await asyncio.sleep(max(0.0, beat * _PACE_S - self.now()))
            now = self.now()
            for name, device in self.devices.items():
                records = [record for _, record in device.arrivals(now)]
                for piece in pieces(records, self.ports[name], self._means.records_a_message):
                    self.ports[name].write(piece)

    async def _clear(self) -> None:
        try:
            await close_ports(self.ports.values())
        finally:
            self._folder.cleanup()
