"""All that a rig brings in a stretch of time, kept whole: raw and calibrated, by channel and by link."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livealign.session.intake import Reading
from livealign.session.wiring import AngleWiring, AuxiliaryWiring, PositionWiring, Wiring
from livealign.snapshot import ChannelState, CounterState, LinkStatus
from livealign.stream.contracts import Floats, LinkEvent
from livealign.stream.reader import Batch

__all__ = ["MOST_READINGS", "ChannelRecord", "Gathered", "Gathering", "LinkRecord", "PairedRecord"]

Mask = NDArray[np.bool_]

MOST_READINGS = 500_000
"""Of one channel or link; what comes beyond is dropped and counted."""
_MOST_EVENTS = 200


@dataclass(frozen=True, slots=True)
class ChannelRecord:
    """Everything that one channel brought, a row a record of its link."""

    name: str
    kind: Literal["angle", "position", "auxiliary"]
    link: str
    field: str
    time_s: Floats
    """(n,) on the session's clock, NaN where a record did not tell it."""
    raw: Floats
    """(n,) the field as it came."""
    value: Floats
    """(n,) calibrated: rad (clockwise, continuous over turns), m, or an auxiliary channel's own unit; NaN: none."""
    good: Mask
    """(n,) which of them may be used: there, in time, not clipped, dim or jumped."""
    clipped: Mask
    dim: Mask
    light: Floats | None
    """(n,) the light they came with, if the rig file names its field."""
    dropped: int = 0


@dataclass(frozen=True, slots=True)
class LinkRecord:
    """Everything that one link brought, a row a record."""

    name: str
    time_s: Floats
    """(n,) on the session's clock."""
    arrival_s: Floats
    """(n,) when the bytes that completed it came."""
    counts: Floats | None
    """(n,) the device's counter as it came, if the rig file names its field."""
    events: tuple[LinkEvent, ...]
    """What the driver said meanwhile."""
    status: LinkStatus
    """At the end."""
    counters: CounterState
    """What came and was lost meanwhile, not since the link was opened."""
    fields: tuple[str, ...] = ()
    """Names of all fields that came, sorted."""
    dropped: int = 0


@dataclass(frozen=True, slots=True)
class PairedRecord:
    """Good positions of one detector, each with the shaft angle at its time."""

    time_s: Floats
    angle_rad: Floats
    position_m: Floats


@dataclass(frozen=True, slots=True)
class Gathered:
    """What a rig brought from one time to another."""

    start_s: float
    end_s: float
    channels: dict[str, ChannelRecord]
    """By name, such as "head S position"; in the order of the rig file, angles first."""
    links: dict[str, LinkRecord]
    paired: dict[str, PairedRecord]
    """By the detector's channel name."""
    states: tuple[ChannelState, ...]
    """At the end."""


class _Rows:
    """Blocks of equally many columns, joined at the end; bounded."""

    def __init__(self, columns: int) -> None:
        self._blocks: list[tuple[NDArray[np.float64], ...]] = []
        self._columns = columns
        self._rows = 0
        self.dropped = 0

    def add(self, *block: Floats | Mask) -> None:
        room = MOST_READINGS - self._rows
        self.dropped += max(0, block[0].size - room)
        if room > 0:
            # Copied: what lies behind a column may be used again by whoever made it.
            self._blocks.append(tuple(np.array(column[:room], dtype=float) for column in block))
            self._rows += self._blocks[-1][0].size

    def joined(self) -> tuple[Floats, ...]:
        if not self._blocks:
            return tuple(np.empty(0) for _ in range(self._columns))
        return tuple(np.concatenate(column) for column in zip(*self._blocks, strict=True))


class Gathering:
    """Watches an intake from one time to another."""

    def __init__(
        self,
        wiring: Wiring,
        start_s: float,
        before: Sequence[LinkStatus],
        clock_fields: dict[str, str],
    ) -> None:
        """Take the streams, the time, how the links stand at it, and the field of each device's counter by link."""
        self._wiring = wiring
        self._start_s = start_s
        self._before = {status.name: status.counters for status in before}
        self._clock_fields = clock_fields
        self._links = {name: _Rows(3) for name in wiring.readers}
        self._fields: dict[str, set[str]] = {name: set() for name in wiring.readers}
        self._events: dict[str, list[LinkEvent]] = {name: [] for name in wiring.readers}
        self._channels: dict[str, _Rows] = {}
        for w in wiring.all():
            self._channels[w.channel.name] = _Rows(7 if isinstance(w, PositionWiring) else 4)
        self._paired = {w.channel.name: _Rows(3) for w in wiring.positions}

    def event(self, event: LinkEvent) -> None:
        """Keep what a driver says."""
        events = self._events[event.link]
        if len(events) < _MOST_EVENTS:
            events.append(event)

    def records(self, link: str, batch: Batch, arrival_s: float) -> None:
        """Keep the times of records."""
        self._fields[link].update(batch.columns)
        none = np.full(batch.time_s.size, np.nan)
        counts = batch.columns.get(self._clock_fields.get(link, ""), none)
        self._links[link].add(batch.time_s, np.full(batch.time_s.size, arrival_s), counts)

    def angle(self, wiring: AngleWiring, time_s: Floats, raw: Floats, angle_rad: Floats) -> None:
        """Keep angles."""
        good = np.isfinite(angle_rad) & np.isfinite(time_s)
        self._channels[wiring.channel.name].add(time_s, raw, angle_rad, good)

    def position(
        self, wiring: PositionWiring, time_s: Floats, raw: Floats, light: Floats | None, good: Mask
    ) -> None:
        """Keep positions, and why some may not be used."""
        value, clipped, dim = wiring.channel.measured(raw, light)
        shown = np.full(raw.size, np.nan) if light is None else light
        self._channels[wiring.channel.name].add(time_s, raw, value, good, clipped, dim, shown)

    def auxiliary(self, wiring: AuxiliaryWiring, time_s: Floats, raw: Floats) -> None:
        """Keep auxiliary numbers."""
        value = wiring.channel.shown(raw)
        self._channels[wiring.channel.name].add(time_s, raw, value, np.isfinite(value))

    def paired(self, readings: Sequence[Reading]) -> None:
        """Keep positions that have found their angle."""
        for r in readings:
            name = self._wiring.positions[r.detector].channel.name
            self._paired[name].add(r.time_s, r.angle_rad, r.position_m)

    def result(
        self,
        end_s: float,
        states: Sequence[ChannelState],
        statuses: Sequence[LinkStatus],
        *,
        only: Collection[str],
    ) -> Gathered:
        """Return what was gathered of the links named, with how all stands at the end."""
        channels: dict[str, ChannelRecord] = {}
        for wiring in self._wiring.all():
            if wiring.link in only:
                channels[wiring.channel.name] = self._channel(wiring)
        return Gathered(
            start_s=self._start_s,
            end_s=end_s,
            channels=channels,
            links={s.name: self._link(s) for s in statuses if s.name in only},
            paired={n: PairedRecord(*rows.joined()) for n, rows in self._paired.items() if n in channels},
            states=tuple(s for s in states if s.name in channels),
        )

    def _channel(self, wiring: AngleWiring | PositionWiring | AuxiliaryWiring) -> ChannelRecord:
        channel = wiring.channel
        rows = self._channels[channel.name]
        time_s, raw, value, good, *more = rows.joined()
        never = np.zeros(raw.size, dtype=bool)
        lit = isinstance(wiring, PositionWiring) and wiring.light_field is not None
        return ChannelRecord(
            channel.name,
            channel.kind,
            wiring.link,
            wiring.field,
            time_s,
            raw,
            value,
            good.astype(bool),
            clipped=more[0].astype(bool) if more else never,
            dim=more[1].astype(bool) if more else never,
            light=more[2] if lit else None,
            dropped=rows.dropped,
        )

    def _link(self, status: LinkStatus) -> LinkRecord:
        rows = self._links[status.name]
        time_s, arrival_s, counts = rows.joined()
        before = self._before.get(status.name, CounterState())
        counters = CounterState(
            **{
                f.name: getattr(status.counters, f.name) - getattr(before, f.name)
                for f in fields(CounterState)
            }
        )
        return LinkRecord(
            status.name,
            time_s,
            arrival_s,
            counts if status.name in self._clock_fields else None,
            tuple(self._events[status.name]),
            status,
            counters,
            tuple(sorted(self._fields[status.name])),
            rows.dropped,
        )
