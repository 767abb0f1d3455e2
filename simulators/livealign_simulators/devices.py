"""A virtual device: the sensors on one link, sampled by its own clock and spoken in the rig's own format."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from livealign.config.rig import DetectorSpec, Link
from livealign.stream.contracts import Format
from livealign.stream.registry import format_class
from livealign_simulators.geometry import AxisLine, Floats
from livealign_simulators.scene import Scene
from livealign_simulators.sensing import bent, raw_angle, raw_position
from livealign_simulators.truth import AngleTruth, DetectorTruth

__all__ = ["Device", "Faults"]

_TICKS_PER_S = {"s": 1.0, "ms": 1e3, "us": 1e6}
_DECIMALS = {"deg": 2, "rad": 4, "mm": 4, "um": 1, "in": 6, "mil": 3}
_RATE_ERROR_PPM = 40.0
_LIGHT = 900.0
_LIGHT_NOISE = 12.0
_DIM_SHARE = 0.3
_DIM_NOISE_FACTOR = 50.0
_LATE_S = 1.0

Column = Callable[[Floats, AxisLine, Floats], Floats]
"""Angles, lines and times of a block of samples to the raw values of one field."""


@dataclass(slots=True)
class Faults:
    """What is wrong with a device just now."""

    corrupt_fraction: float = 0.0
    """Share of the records that are garbled on the way."""
    dim: bool = False
    """Hardly any light reaches the detectors."""


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
        self._fast = 1.0 + float(self._rng.uniform(-1, 1)) * _RATE_ERROR_PPM * 1e-6
        self._period_s = 1.0 / (rate_hz * self._fast)
        self._phase_s = float(self._rng.uniform(0.0, self._period_s))
        self._index = 0
        self._columns: dict[str, Column] = {}
        self._add_counters(link)
        for angle_link, sensor in _angles(scene):
            if angle_link == link.name:
                self._columns[sensor.spec.field] = self._angle_column(sensor)
        for detector_link, detector in _detectors(scene):
            if detector_link == link.name:
                self._columns[detector.spec.field] = self._position_column(detector)
                if detector.spec.light_field is not None:
                    self._columns[detector.spec.light_field] = self._light_column(detector.spec)

    @property
    def preamble(self) -> bytes:
        """What the device sends when it starts."""
        return self._format.preamble()

    def produce(self, until_s: float) -> bytes:
        """Return the records of all samples up to a time; a device that is very late leaves samples out."""
        end = max(self._index, math.floor((until_s - self._phase_s) / self._period_s) + 1)
        first = max(self._index, end - int(_LATE_S / self._period_s) - 1)
        self._index = end
        if first == end:
            return b""
        number = np.arange(first, end, dtype=np.float64)
        time_s: Floats = self._phase_s + number * self._period_s
        angle = self._scene.mechanic.angle_at(time_s)
        line = self._scene.mechanic.line_at(time_s)
        values = {name: column(angle, line, time_s) for name, column in self._columns.items()}
        self.records += end - first
        return b"".join(
            self._on_the_way(self._format.encode({name: float(v[i]) for name, v in values.items()}))
            for i in range(end - first)
        )

    def _add_counters(self, link: Link) -> None:
        if link.clock is not None:
            per_s, bits = _TICKS_PER_S[link.clock.unit], link.clock.wrap_bits
            # Counts up to 2**50 survive the way through a float.
            start = float(self._rng.uniform(0.0, 2.0 ** min(bits or 40, 50)))

            def clock(_angle: Floats, _line: AxisLine, time_s: Floats) -> Floats:
                count: Floats = start + time_s * self._fast * per_s
                whole: Floats = np.round(count, 6) if per_s == 1.0 else np.floor(count)
                return whole % 2.0**bits if bits is not None else whole

            self._columns[link.clock.field] = clock
        if link.sequence is not None:
            first, modulus = (
                int(self._rng.integers(2 ** min(link.sequence_bits, 50))),
                2.0**link.sequence_bits,
            )

            def sequence(_angle: Floats, _line: AxisLine, time_s: Floats) -> Floats:
                number: Floats = np.round((time_s - self._phase_s) / self._period_s)
                return (first + number) % modulus

            self._columns[link.sequence] = sequence

    def _angle_column(self, sensor: AngleTruth) -> Column:
        def column(angle: Floats, _line: AxisLine, _time_s: Floats) -> Floats:
            return np.round(raw_angle(sensor, angle, self._rng), _DECIMALS[sensor.spec.unit])

        return column

    def _position_column(self, detector: DetectorTruth) -> Column:
        def column(angle: Floats, line: AxisLine, _time_s: Floats) -> Floats:
            factor = _DIM_NOISE_FACTOR if self.faults.dim else 1.0
            raw = raw_position(detector, line, angle, self._rng, factor)
            return np.round(bent(detector.spec, raw), _DECIMALS[detector.spec.unit])

        return column

    def _light_column(self, spec: DetectorSpec) -> Column:
        least = spec.dim_below if spec.dim_below is not None and spec.dim_below > 0 else _LIGHT / 4
        bright = max(_LIGHT, 4 * least)

        def column(angle: Floats, _line: AxisLine, _time_s: Floats) -> Floats:
            level = _DIM_SHARE * least if self.faults.dim else bright
            light: Floats = level + self._rng.normal(0.0, _LIGHT_NOISE, angle.shape)
            return np.maximum(np.round(light), np.float64(0.0))

        return column

    def _on_the_way(self, record: bytes) -> bytes:
        """Return the record as it arrives: now and then with bytes lost, changed or added."""
        if not self.faults.corrupt_fraction or self._rng.random() >= self.faults.corrupt_fraction:
            return record
        place = int(self._rng.integers(len(record)))
        garbage = self._rng.bytes(int(self._rng.integers(1, 5)))
        lost = int(self._rng.integers(0, 5))
        return record[:place] + garbage + record[place + lost :]


def _angles(scene: Scene) -> list[tuple[str, AngleTruth]]:
    by_head = scene.truth.angles
    return [
        (by_head[h.name].spec.link or h.link, by_head[h.name]) for h in scene.rig.heads if h.name in by_head
    ]


def _detectors(scene: Scene) -> list[tuple[str, DetectorTruth]]:
    links = {h.name: h.link for h in scene.rig.heads}
    return [(d.spec.link or links[d.head], d) for d in scene.truth.detectors]
