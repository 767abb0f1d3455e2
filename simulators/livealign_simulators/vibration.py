"""A machine that runs next door shakes the one that stands."""

from dataclasses import dataclass

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["Vibration"]


@dataclass(frozen=True, slots=True)
class Vibration:
    """The movable shaft against the stationary one, at a running speed and its multiples."""

    frequency_hz: float
    """One turn of the running shaft."""
    y_mm: float = 0.0
    """Amplitude toward 3 o'clock at once the speed."""
    z_mm: float = 0.0
    harmonics: tuple[float, ...] = (1.0, 0.3, 0.1)
    """Amplitudes at once, twice, three times the speed, relative to the first."""
    phases_rad: tuple[float, ...] = (0.0, 1.0, 2.5)

    def shaking(self, time_s: Floats) -> Floats:
        """Return the wave of amplitude 1."""
        turns = 2 * np.pi * self.frequency_hz * np.asarray(time_s)
        wave: Floats = np.zeros(turns.shape)
        for n, (amplitude, phase) in enumerate(zip(self.harmonics, self.phases_rad, strict=False), 1):
            wave += amplitude * np.sin(n * turns + phase)
        return wave
