"""A virtual device: the sensors on one link, sampled by its own clock and spoken in the rig's own format."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from livealign.config.rig import Link
from livealign.stream.contracts import Format
from livealign.stream.registry import format_class
from livealign_simulators.columns import Column, Samples, link_columns
from livealign_simulators.disturbances import LinkFaults
from livealign_simulators.geometry import Floats
from livealign_simulators.radio import Radio
from livealign_simulators.scene import Scene

__all__ = ["Device", "Faults"]

_TICKS_PER_S = {"s": 1.0, "ms": 1e3, "us": 1e6}
_RATE_ERROR_PPM = 40.0
_LATE_S = 1.0
_KEPT_RESTARTS = 50


@dataclass(slots=True)
class Faults:
    """What is wrong with a device just now."""

    corrupt_fraction: float = 0.0
    """Share of the records that are garbled on the way."""
    dim: bool = False
    """Hardly any light reaches the detectors."""


@dataclass(frozen=True, slots=True)
class _Boot:
    """A start of the device: its first sample, and what its counters begin with."""

    silent_s: float
    """Since when nothing comes."""
    time_s: float
    clock: float
    number: int


class Device:
    """Makes the bytes of one link, for any stretch of time since the last."""

    def __init__(self, scene: Scene, link: Link, rate_hz: float, seed: np.random.SeedSequence) -> None:
        """Set the device's clock going at a random count.

        Raises:
            PersonError: if the link's format is not installed.
            pydantic.ValidationError: if the format's options are wrong.
        """
        self.link = link.name
        self.faults = Faults()
        self.records = 0
        made = format_class(link.format.kind)
        self._format: Format = made(made.options_model.model_validate(link.format.options))
        self._scene = scene
        self._rng = np.random.default_rng(seed)
        faults = scene.disturbances.links.get(link.name, LinkFaults())
        ppm = float(self._rng.uniform(-1, 1)) * _RATE_ERROR_PPM
        self._fast = 1.0 + (ppm if faults.rate_ppm is None else faults.rate_ppm) * 1e-6
        self._period_s = 1.0 / (rate_hz * self._fast)
        self._phase_s = float(self._rng.uniform(0.0, self._period_s))
        self._index = 0
        self._boots = [_Boot(-math.inf, 0.0, 0.0, 0)]
        self._counters: dict[str, Callable[[_Boot, Floats], Floats]] = {}
        self._add_counters(link)
        sensors, air = seed.spawn(2)
        self.radio = Radio(faults.radio, air)
        """The way that the records take."""
        self._columns: list[Column] = link_columns(
            scene, link, self._period_s, sensors, lambda: self.faults.dim
        )

    @property
    def preamble(self) -> bytes:
        """What the device sends when it starts."""
        return self._format.preamble()

    def restart(self, at_s: float, silent_s: float = 1.0) -> None:
        """Let the device lose its power at a time and count from nothing a moment later."""
        begins_s = at_s + silent_s
        first = math.ceil((begins_s - self._phase_s) / self._period_s)
        self._boots.append(_Boot(at_s, begins_s, -self._clock_start, first))
        del self._boots[:-_KEPT_RESTARTS]

    def produce(self, until_s: float) -> bytes:
        """Return the records that arrive up to a time; a device that is very late leaves samples out."""
        return b"".join(record for _, record in self.arrivals(until_s))

    def arrivals(self, until_s: float) -> list[tuple[float, bytes]]:
        """Return the same record by record, each with the time of its arrival."""
        end = max(self._index, math.floor((until_s - self._phase_s) / self._period_s) + 1)
        first = max(self._index, end - int(_LATE_S / self._period_s) - 1)
        self._index = end
        if first < end:
            self._sample(first, end)
        return self.radio.received(until_s)

    def _sample(self, first: int, end: int) -> None:
        number = np.arange(first, end, dtype=np.float64)
        time_s: Floats = self._phase_s + number * self._period_s
        samples = Samples(first, end, time_s, self._scene.mechanic.line_at(time_s))
        values: dict[str, Floats] = {}
        for column in self._columns:
            values |= column(samples)
        # After a restart records differ in their counters, and those of the pause are not there.
        edges = [*np.searchsorted(time_s, [b.silent_s for b in self._boots]), end - first]
        for i, boot in enumerate(self._boots):
            alive = np.arange(max(edges[i], 0), edges[i + 1])
            alive = alive[number[alive] >= boot.number]
            if not alive.size:
                continue
            if boot.number and number[alive[0]] == boot.number and self.preamble:
                self.radio.send(self.preamble, float(time_s[alive[0]]))
            told = {name: v[alive] for name, v in values.items()}
            told |= {name: count(boot, number[alive]) for name, count in self._counters.items()}
            for j, k in enumerate(alive):
                record = self._format.encode({name: float(v[j]) for name, v in told.items()})
                self.radio.send(self._on_the_way(record), float(time_s[k]))
            self.records += alive.size

    def _add_counters(self, link: Link) -> None:
        self._clock_start = 0.0
        if link.clock is not None:
            per_s, bits = _TICKS_PER_S[link.clock.unit], link.clock.wrap_bits
            # Counts up to 2**50 survive the way through a float.
            self._clock_start = start = float(self._rng.uniform(0.0, 2.0 ** min(bits or 40, 50)))

            def clock(boot: _Boot, number: Floats) -> Floats:
                time_s = self._phase_s + number * self._period_s - boot.time_s
                count: Floats = start + boot.clock + time_s * self._fast * per_s
                whole: Floats = np.round(count, 6) if per_s == 1.0 else np.floor(count)
                return whole % 2.0**bits if bits is not None else whole

            self._counters[link.clock.field] = clock
        if link.sequence is not None:
            first, modulus = (
                int(self._rng.integers(2 ** min(link.sequence_bits, 50))),
                2.0**link.sequence_bits,
            )

            def sequence(boot: _Boot, number: Floats) -> Floats:
                if boot.number:
                    return (number - boot.number) % modulus
                return (first + number) % modulus

            self._counters[link.sequence] = sequence

    def _on_the_way(self, record: bytes) -> bytes:
        """Return the record as it arrives: now and then with bytes lost, changed or added."""
        if not self.faults.corrupt_fraction or self._rng.random() >= self.faults.corrupt_fraction:
            return record
        place = int(self._rng.integers(len(record)))
        garbage = self._rng.bytes(int(self._rng.integers(1, 5)))
        lost = int(self._rng.integers(0, 5))
        return record[:place] + garbage + record[place + lost :]
