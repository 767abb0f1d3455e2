"""What happens to whole records between a device and whoever reads it; seeded, no clock."""

from dataclasses import dataclass

import numpy as np

from livealign_simulators.noise import Uniform

__all__ = ["Radio", "RadioFaults"]

_WAITING = 20_000
"""Records on the way at one time; more are lost."""


@dataclass(frozen=True, slots=True)
class RadioFaults:
    """How bad the way is; as given it is perfect."""

    delay_s: float = 0.0
    """Least time on the way."""
    jitter_s: float = 0.0
    """Mean of what is added, exponentially distributed."""
    loss: float = 0.0
    """Share of the records that never arrive, in runs whose mean length is `run`."""
    run: float = 1.0
    """Not less than 1 / (1 - loss): that is what chance alone gives."""
    duplicates: float = 0.0
    """Share of the records that arrive twice."""
    overtaking: bool = False
    """True: a record that is fast arrives before one that was sent earlier."""
    disconnected: bool = False
    """Nothing gets through."""


_PERFECT = RadioFaults()


class Radio:
    """Carries records. The fate of a record depends on its number and the seed, not on when it is asked for."""

    def __init__(self, faults: RadioFaults, seed: np.random.SeedSequence) -> None:
        """Take how bad the way is to begin with; `faults` may be set anew at any time."""
        self.faults = faults
        self.lost = 0
        self._chances = Uniform(seed)
        self._sent = 0
        self._losing = False
        self._latest_s = -np.inf
        self._waiting: list[tuple[float, int, bytes]] = []

    def send(self, record: bytes, time_s: float) -> None:
        """Put a record on the way."""
        f = self.faults
        if f == _PERFECT:
            self._sent += 1
            self._arrive(record, time_s)
            return
        n = 4 * self._sent
        self._sent += 1
        luck, late, twice, later = self._chances.at(n, n + 4)
        # Two states (Gilbert): a run of losses ends with chance 1 / run, and begins so often that the share is right.
        begins = f.loss / (f.run * (1.0 - f.loss)) if f.loss < 1.0 else 1.0
        goes_on = 1.0 - 1.0 / f.run if f.loss < 1.0 else 1.0
        self._losing = bool(luck < (goes_on if self._losing else begins))
        if self._losing or f.disconnected or len(self._waiting) >= _WAITING:
            self.lost += 1
            return
        self._arrive(record, time_s + f.delay_s - f.jitter_s * np.log1p(-late))
        if twice < f.duplicates:
            self._arrive(record, time_s + f.delay_s - f.jitter_s * np.log1p(-later))

    def received(self, until_s: float) -> list[tuple[float, bytes]]:
        """Return what has arrived up to a time and was not returned before, with the times of arrival."""
        self._waiting.sort(key=lambda w: w[:2])
        count = sum(time_s <= until_s for time_s, _, _ in self._waiting)
        here, self._waiting = self._waiting[:count], self._waiting[count:]
        return [(time_s, record) for time_s, _, record in here]

    def _arrive(self, record: bytes, time_s: float) -> None:
        if not self.faults.overtaking:
            time_s = max(time_s, self._latest_s)
        self._latest_s = max(time_s, self._latest_s)
        self._waiting.append((float(time_s), self._sent, record))
