"""One link's bytes as batches of records on the session's clock, with everything lost counted."""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livealign.stream.clock import UNIT_S, ClockMap
from livealign.stream.computed import Computation
from livealign.stream.contracts import Floats, Format
from livealign.stream.counter import Counted, RecordCounter

__all__ = ["Batch", "LinkReader", "RateMeter"]

_RATE_SPAN_S = 2.0
_MOST_MISSED = 100_000
"""Of captured bytes, whose times of arrival are not known, a larger gap in the sequence is a restart, not a loss."""
_LIKELY_MISSED = 1000
_PATIENCE = 4.0
"""Of others, what may be lost at once, and how many times what would have come at the best rate seen so far."""
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
        self.messages = bool(getattr(decoder, "messages", False))
        """Each payload is a whole message: they must not be joined."""
        self._decoder = decoder
        self._computed = computed
        self._clock_field = clock[0] if clock else None
        self._clock = ClockMap(UNIT_S[clock[1]], clock[2]) if clock else None
        self._counter = RecordCounter(*sequence) if sequence else None
        if clock is None and sequence and nominal_rate_hz:
            # Numbered records that come evenly are a clock too.
            self._clock = ClockMap(1.0 / nominal_rate_hz, None)
        self._unread = 0
        self._spacing_s = None if nominal_rate_hz is None else 1.0 / nominal_rate_hz
        self._best_hz = 0.0
        self._last_s = -np.inf
        self._arrival_s: float | None = None
        self._device_time = device_time
        self._device_zero: float | None = None
        self.records = 0
        self.bytes = 0
        self.frames = 0
        self.bad = 0
        self.last_bad = ""
        self.rate = RateMeter()

    @property
    def missed(self) -> int:
        """Records that never came."""
        return self._counter.missed if self._counter else 0

    @property
    def repeated(self) -> int:
        """Records that came again and were left out."""
        return self._counter.repeated if self._counter else 0

    @property
    def late(self) -> int:
        """Records that came after later ones."""
        return self._counter.late if self._counter else 0

    @property
    def restarts(self) -> int:
        """How often the device began anew, as far as its numbers and its clock tell."""
        if self._counter is not None:
            return self._counter.restarts
        return self._clock.restarts if self._clock else 0

    @property
    def clock_u_s(self) -> float | None:
        """Uncertainty of the device clock's mapping."""
        return None if self._clock is None or self._device_time else self._clock.u_s

    def interrupted(self) -> None:
        """The link was lost: what is incomplete is forgotten, and the next counter value is no gap."""
        self._decoder.reset()
        if self._counter is not None:
            self._counter.interrupted()
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
        columns, count = decoded.columns, decoded.count
        counted = self._count(columns, count, arrival_s)
        if counted is not None:
            self._unread = min(self._unread - counted.explained, decoded.bad)
            counted, columns = counted.only_fresh(columns)
            count = counted.numbers.size
        self._arrival_s = arrival_s
        if count == 0:
            return None
        time_s = self._times(columns, count, counted, arrival_s)
        for compute in self._computed:
            columns = {**columns, **compute(columns)}
        self.records += count
        self.rate.add(arrival_s, count)
        return Batch(time_s, columns)

    def _count(self, columns: Mapping[str, Floats], count: int, arrival_s: float) -> Counted | None:
        """Look at the records' numbers; a line that could not be read leaves a gap too, here or in the next payload."""
        if self._counter is None:
            return None
        largest_gap: float = _MOST_MISSED
        if not self._device_time:
            self._best_hz = max(self._best_hz, self.rate.rate_hz(arrival_s) or 0.0)
            away_s = 0.0 if self._arrival_s is None else arrival_s - self._arrival_s
            largest_gap = max(_LIKELY_MISSED, _PATIENCE * self._best_hz * away_s)
        fell_at = None
        if self._clock is not None and self._clock_field is not None and self._clock_field in columns:
            fell_at = self._clock.falls_at(columns[self._clock_field])
        return self._counter.take(
            columns, count, explained=self._unread, largest_gap=largest_gap, clock_fell_at=fell_at
        )

    def _times(
        self, columns: Mapping[str, Floats], count: int, counted: Counted | None, arrival_s: float
    ) -> Floats:
        clock, at = self._clock, None if counted is None else counted.restart_at
        if clock is not None:
            # A header line sent by the device may leave the clock out.
            ticks = self._ticks(columns, count, counted)
            if at is not None:
                before, after = ticks[:at], ticks[at:]
                ahead = self._clocked(clock, before, arrival_s) if at else before
                clock.restart()
                return np.concatenate([ahead, self._clocked(clock, after, arrival_s)])
            return self._clocked(clock, ticks, arrival_s)
        if self._device_time:
            return (self.records + np.arange(count, dtype=np.float64)) * (
                self._spacing_s or 1.0 / _DEFAULT_RATE_HZ
            )
        return self._spread(count, arrival_s)

    def _ticks(self, columns: Mapping[str, Floats], count: int, counted: Counted | None) -> Floats:
        """Return what serves as the device's clock: a field of its own, or the records' numbers."""
        if self._clock_field is not None:
            return columns.get(self._clock_field, np.full(count, np.nan))
        return np.full(count, np.nan) if counted is None else counted.numbers

    def _clocked(self, clock: ClockMap, ticks: Floats, arrival_s: float) -> Floats:
        if not self._device_time:
            return clock.map(ticks, arrival_s)
        times = clock.device_s(ticks)
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
