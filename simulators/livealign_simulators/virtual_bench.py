"""A scene played in counted time: nothing waits, and what the links bring is handed over as a driver would hand it."""

from collections.abc import Callable

from livealign.errors import PersonError
from livealign.stream.contracts import Frame, LinkEvent, LinkState
from livealign_simulators.devices import Device
from livealign_simulators.scene import Scene

__all__ = ["VirtualBench"]


class VirtualBench:
    """As fast as the processor: time passes when somebody waits for it."""

    def __init__(
        self,
        scene: Scene,
        rate_hz: float,
        deliver: Callable[[Frame | LinkEvent], None],
        passed: Callable[[int], None],
        *,
        beat_s: float = 0.1,
    ) -> None:
        """Plug everything in.

        Args:
            scene: what is played.
            rate_hz: records a second.
            deliver: is given what the links bring, in order of time.
            passed: is told the time (ns) after each beat, whether anything came or not.
            beat_s: how often the devices are asked what they have sent since; each record comes at its own time.
        """
        self.scene = scene
        seeds = scene.device_seed.spawn(len(scene.rig.links))
        self._devices = {
            link.name: Device(scene, link, rate_hz, s) for link, s in zip(scene.rig.links, seeds, strict=True)
        }
        self._ports = {name: _Port(self, name, deliver) for name in self._devices}
        self._deliver = deliver
        self._passed = passed
        self._beat_s = beat_s
        self._beats = 0
        self._now_s = 0.0
        for port in self._ports.values():
            port.put(plugged=True)

    def now(self) -> float:
        """Return the scene's time in seconds."""
        return self._now_s

    def now_ns(self) -> int:
        """Return it as events are stamped."""
        return round(self._now_s * 1e9)

    async def wait_until(self, time_s: float) -> None:
        """Let everything happen that happens up to a time."""
        while (next_s := (self._beats + 1) * self._beat_s) <= time_s:
            self._beats += 1
            self._now_s = max(self._now_s, next_s)
            came = [
                (time_s, name, record)
                for name, device in self._devices.items()
                for time_s, record in device.arrivals(next_s)
                if self._ports[name].plugged
            ]
            for at_s, name, record in sorted(came):
                self._deliver(Frame(name, record, round(at_s * 1e9)))
            self._passed(self.now_ns())
        self._now_s = max(self._now_s, time_s)

    def device(self, link: str) -> Device:
        """Return the device of a link.

        Raises:
            PersonError: if there is none.
        """
        return self._devices[self._known(link)]

    def port(self, link: str) -> "_Port":
        """Return the port of a link.

        Raises:
            PersonError: if there is none.
        """
        return self._ports[self._known(link)]

    def _known(self, link: str) -> str:
        if link not in self._devices:
            raise PersonError(f"no link is called {link!r}", advice=f"Links: {', '.join(self._devices)}.")
        return link


class _Port:
    """Says that the link is open, or that it is lost."""

    def __init__(self, bench: VirtualBench, link: str, deliver: Callable[[Frame | LinkEvent], None]) -> None:
        self.plugged = False
        self._bench = bench
        self._link = link
        self._deliver = deliver

    async def plug(self) -> None:
        self.put(plugged=True)

    async def unplug(self) -> None:
        self.put(plugged=False)

    def put(self, *, plugged: bool) -> None:
        if plugged != self.plugged:
            self.plugged = plugged
            state: LinkState = "open" if plugged else "lost"
            detail = "" if plugged else "the port has gone: is the plug in?"
            self._deliver(LinkEvent(self._link, state, self._bench.now_ns(), detail))
            if plugged and (preamble := self._bench.device(self._link).preamble):
                self._deliver(Frame(self._link, preamble, self._bench.now_ns()))
