"""One link's bytes as batches of records on the session's clock, with everything lost counted."""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livealign.stream.clock import ClockMap, unwrap
from livealign.stream.computed import Computation
from livealign.stream.contracts import Floats, Format

__all__ = ["Batch", "LinkReader", "RateMeter"]

_RATE_SPAN_S = 2.0
_MOST_MISSED = 100_000
"""A larger gap in the sequence is a restart, not a loss."""
_DEFAULT_RATE_HZ = 100.0


@dataclass(frozen=True, slots=True)
class Batch:
    """Records that came together: times (s) and one column a field, NaN where a record lacks it."""

    time_s: Floats
    columns: Mapping[str, Floats]


class RateMeter:
    """Counts per second over the last two seconds of event time."""

    def __init__(self) -> None:
        self._marks: deque[tuple[float, int]] = deque()
        self._total = 0
        self._first: float | None = None

    def add(self, time_s: float, n: int) -> None:
        """Note that n things came at a time."""
        if self._first is None:
            self._first = time_s
        self._marks.append((time_s, n))
        self._total += n

    def rate_hz(self, time_s: float) -> float | None:
        """Return the rate at a time; None before half a second has passed since the first."""
        while self._marks and self._marks[0][0] < time_s - _RATE_SPAN_S:
            self._total -= self._marks.popleft()[1]
        if self._first is None or time_s - self._first < 0.5:
            return None
        return self._total / min(_RATE_SPAN_S, time_s - self._first)


class LinkReader:
    """Decodes one link and puts its records in time."""

    def __init__(
        self,
        decoder: Format,
        *,
        clock: tuple[str, str, int | None] | None,
        sequence: tuple[str, int] | None,
        nominal_rate_hz: float | None,
        device_time: bool,
        computed: Sequence[Computation] = (),
    ) -> None:
        """Take the format and how time is told.

        Args:
            decoder: the link's format.
            clock: field, unit and wrap-around bits of the device's counter, if it has one.
            sequence: field and bits of the record counter, if there is one.
            nominal_rate_hz: spacing of records without a clock.
            device_time: device time is the session's time (captured bytes), arrival means nothing.
            computed: what works out further fields, in this order.
        """
        self._decoder = decoder
        self._computed = computed
        self._clock_field = clock[0] if clock else None
        self._clock = ClockMap(clock[1], clock[2]) if clock else None
        self._sequence = sequence
        self._last_sequence: float | None = None
        self._unread = 0
        self._spacing_s = None if nominal_rate_hz is None else 1.0 / nominal_rate_hz
        self._best_hz = 0.0
        self._last_s = -np.inf
        self._device_time = device_time
        self._device_zero: float | None = None
        self.records = 0
        self.bytes = 0
        self.frames = 0
        self.bad = 0
        self.missed = 0
        self.repeated = 0
        self.last_bad = ""
        self.rate = RateMeter()

    @property
    def clock_u_s(self) -> float | None:
        """Uncertainty of the device clock's mapping."""
        return None if self._clock is None or self._device_time else self._clock.u_s

    def interrupted(self) -> None:
        """The link was lost: what is incomplete is forgotten, and the next counter value is no gap."""
        self._decoder.reset()
        self._last_sequence = None
        self._unread = 0

    def read(self, payload: bytes, arrival_s: float) -> Batch | None:
        """Return the records that this payload completes; None if there are none."""
        self.bytes += len(payload)
        decoded = self._decoder.decode(payload)
        self.bad += decoded.bad
        self._unread += decoded.bad
        if decoded.bad:
            self.last_bad = decoded.last_bad
        if decoded.count == 0:
            return None
        columns = decoded.columns
        fresh = self._fresh(columns, decoded.count)
        self._unread = min(self._unread, decoded.bad)
        if fresh is not None:
            columns = {name: values[fresh] for name, values in columns.items()}
        count = decoded.count if fresh is None else int(fresh.sum())
        if count == 0:
            return None
        time_s = self._times(columns, count, arrival_s)
        for compute in self._computed:
            columns = {**columns, **compute(columns)}
        batch = Batch(time_s, columns)
        self.records += count
        self.rate.add(arrival_s, count)
        return batch

    def _fresh(
        self, columns: Mapping[str, Floats], count: int
    ) -> "np.ndarray[tuple[int], np.dtype[np.bool_]] | None":
        """Count gaps in the sequence; return a mask without repeated records, or None if all are new."""
        if self._sequence is None or self._sequence[0] not in columns:
            return None
        field, bits = self._sequence
        raw = columns[field]
        good = np.isfinite(raw)
        if not good.any():
            return None
        numbers = unwrap(raw[good], self._last_sequence, 2.0**bits)
        before = numbers[0] - 1.0 if self._last_sequence is None else self._last_sequence
        steps = numbers - np.concatenate([[before], numbers[:-1]])
        self._last_sequence = float(numbers[-1])
        gaps = int((steps[(steps > 1) & (steps < _MOST_MISSED)] - 1).sum())
        # A line that could not be read leaves a gap too, in this payload or at the start of the next.
        explained = min(gaps, self._unread)
        self.missed += gaps - explained
        self._unread -= explained
        repeated = steps == 0
        if not repeated.any():
            return None
        self.repeated += int(repeated.sum())
        fresh = np.ones(count, dtype=bool)
        fresh[np.flatnonzero(good)[repeated]] = False
        return fresh

    def _times(self, columns: Mapping[str, Floats], count: int, arrival_s: float) -> Floats:
        if self._clock is not None and self._clock_field is not None:
            # A header line sent by the device may leave the clock out.
            counts = columns.get(self._clock_field, np.full(count, np.nan))
            if not self._device_time:
                return self._clock.map(counts, arrival_s)
            times = self._clock.device_s(counts)
        elif self._device_time:
            times = (self.records + np.arange(count, dtype=np.float64)) * (
                self._spacing_s or 1.0 / _DEFAULT_RATE_HZ
            )
        else:
            return self._spread(count, arrival_s)
        if self._device_zero is None:
            first = times[np.isfinite(times)]
            self._device_zero = float(first[0]) if first.size else None
        return times - (self._device_zero or 0.0)

    def _spread(self, count: int, arrival_s: float) -> Floats:
        """Return times back from arrival, spaced as told or as records have come so far; none before an earlier one's."""
        self._best_hz = max(self._best_hz, self.rate.rate_hz(arrival_s) or 0.0)
        spacing_s = self._spacing_s or (1.0 / self._best_hz if self._best_hz else 0.0)
        times = np.maximum(arrival_s - spacing_s * np.arange(count - 1, -1, -1.0), self._last_s)
        self._last_s = float(times[-1])
        return times
