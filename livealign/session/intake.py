"""From frames to paired readings: which field of which link is which channel, and what angle belongs to it."""

from collections import deque
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from livealign.errors import PersonError
from livealign.session.links import LinkBook
from livealign.session.wiring import AngleWiring, AuxiliaryWiring, PositionWiring, Wiring
from livealign.snapshot import ChannelState, LinkStatus
from livealign.stream.auxiliary import AuxiliaryChannel
from livealign.stream.channel import AngleChannel, Channel
from livealign.stream.contracts import Floats, Frame, LinkEvent
from livealign.stream.pairing import AngleTrack, PendingPositions
from livealign.stream.reader import Batch

__all__ = ["Intake", "Reading", "Watcher"]

_TURN_SPAN_S = 0.3
_MOST_ANGLES = 1000
_TURNING_RAD_S = np.radians(1.0)
_TURNING_SURELY = 5.0
"""Standard deviations by which the angle must have changed; below it the inclinometer's noise would pass for turning."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Readings of one detector that may be used."""

    detector: int
    time_s: Floats
    angle_rad: Floats
    position_m: Floats


class Watcher(Protocol):
    """Sees all that comes by, raw and calibrated, before anything is chosen from it."""

    def records(self, link: str, batch: Batch, arrival_s: float) -> None:
        """Take the records of a link that came together."""
        ...

    def angle(self, wiring: AngleWiring, time_s: Floats, raw: Floats, angle_rad: Floats) -> None:
        """Take (n,) angles, NaN where the record had none."""
        ...

    def position(
        self,
        wiring: PositionWiring,
        time_s: Floats,
        raw: Floats,
        light: Floats | None,
        good: NDArray[np.bool_],
    ) -> None:
        """Take (n,) raw positions with the light they came with, and which of them may be used."""
        ...

    def auxiliary(self, wiring: AuxiliaryWiring, time_s: Floats, raw: Floats) -> None:
        """Take (n,) raw numbers of something that is not measured with."""
        ...


class _RecentAngles:
    """The last third of a second of one inclinometer."""

    def __init__(self, channel: AngleChannel) -> None:
        self._channel = channel
        self._marks: deque[tuple[float, float]] = deque(maxlen=_MOST_ANGLES)
        self._arrival_s = -np.inf

    def add(self, time_s: Floats, angle_rad: Floats, arrival_s: float) -> None:
        """Take good angles in order of time."""
        if time_s.size:
            self._marks.extend(zip(time_s.tolist(), angle_rad.tolist(), strict=True))
            self._arrival_s = arrival_s

    def turning(self, now_s: float) -> bool:
        """Do the angles change, surely and fast enough?"""
        while self._marks and self._marks[0][0] < self._marks[-1][0] - _TURN_SPAN_S:
            self._marks.popleft()
        if now_s - self._arrival_s > _TURN_SPAN_S or len(self._marks) < 4:
            return False
        marks = np.array(self._marks)
        if marks[-1, 0] - marks[0, 0] < _TURN_SPAN_S / 2:
            return False
        half = len(marks) // 2
        took_s, turned = marks[-half:].mean(axis=0) - marks[:half].mean(axis=0)
        doubt = _TURNING_SURELY * (self._channel.noise or 0.0) * (2.0 / half) ** 0.5
        return bool(abs(turned) > max(_TURNING_RAD_S * took_s, doubt))


class Intake:
    """Takes frames and link events; gives readings, and the states of channels and links."""

    def __init__(self, wiring: Wiring) -> None:
        self._wiring = wiring
        self.watcher: Watcher | None = None
        """Is shown all that comes by, if there is one."""
        self._books = {name: LinkBook(name, reader) for name, reader in wiring.readers.items()}
        self._tracks = [AngleTrack() for _ in wiring.angles]
        self._pending = [PendingPositions() for _ in wiring.positions]
        self._recent = [_RecentAngles(w.channel) for w in wiring.angles]
        self._turned_s = 0.0
        self._waiting: dict[str, list[Frame]] = {}

    def link(self, event: LinkEvent) -> None:
        """Take a change of a link's state.

        Raises:
            PersonError: if the rig has no such link.
        """
        self._book(event.link).event(event, event.time_ns / 1e9)

    def frame(self, frame: Frame) -> None:
        """Take a frame; it waits for `readings`, so that the cost is one of snapshots, not of frames."""
        self._book(frame.link).data(frame.time_ns / 1e9)
        self._waiting.setdefault(frame.link, []).append(frame)

    def _book(self, link: str) -> LinkBook:
        book = self._books.get(link)
        if book is None:
            raise PersonError(
                f"something came over a link {link!r}, which the rig does not have",
                advice=f"Use the rig file that belongs to it. The links of this one: {', '.join(self._books)}.",
            )
        return book

    def readings(self) -> list[Reading]:
        """Return the readings completed by all frames that wait."""
        readings: list[Reading] = []
        for link, frames in self._waiting.items():
            # What belongs to a stream is read at once, which costs least.
            apart = self._books[link].reader.messages
            for part in [[f] for f in frames] if apart else [frames]:
                self._read(link, part, readings)
        self._waiting.clear()
        return readings

    def _read(self, link: str, frames: list[Frame], readings: list[Reading]) -> None:
        arrival_s = frames[-1].time_ns / 1e9
        reader = self._books[link].reader
        batch = reader.read(b"".join(f.payload for f in frames), arrival_s)
        reader.frames += len(frames)
        if batch is None:
            return
        if self.watcher:
            self.watcher.records(link, batch, arrival_s)
        own = self._take_angles(link, batch, arrival_s)
        for aux in self._wiring.auxiliary:
            if aux.link == link and aux.field in batch.columns:
                aux.channel.take(batch.columns[aux.field], arrival_s)
                if self.watcher:
                    self.watcher.auxiliary(aux, batch.time_s, batch.columns[aux.field])
        for index, wiring in enumerate(self._wiring.positions):
            if wiring.link == link:
                self._take_position(index, wiring, batch, own=own, arrival_s=arrival_s, readings=readings)
            elif self._wiring.angles[wiring.sensor].link == link:
                self._resolve(index, wiring, readings)

    def _take_angles(self, link: str, batch: Batch, arrival_s: float) -> dict[int, Floats]:
        """Feed the inclinometers of a link; return their angles by index."""
        own: dict[int, Floats] = {}
        for index, wiring in enumerate(self._wiring.angles):
            if wiring.link != link or wiring.field not in batch.columns:
                continue
            angle = wiring.channel.take(batch.time_s, batch.columns[wiring.field], arrival_s)
            own[index] = angle
            if self.watcher:
                self.watcher.angle(wiring, batch.time_s, batch.columns[wiring.field], angle)
            good = np.isfinite(angle) & np.isfinite(batch.time_s)
            if any(w.sensor == index and w.link != link for w in self._wiring.positions):
                self._tracks[index].add(batch.time_s[good], angle[good])
            self._recent[index].add(batch.time_s[good], angle[good], arrival_s)
        return own

    def _take_position(
        self,
        index: int,
        wiring: PositionWiring,
        batch: Batch,
        *,
        own: dict[int, Floats],
        arrival_s: float,
        readings: list[Reading],
    ) -> None:
        if wiring.field not in batch.columns:
            return
        light = None if wiring.light_field is None else batch.columns.get(wiring.light_field)
        position, good = wiring.channel.take(batch.time_s, batch.columns[wiring.field], light, arrival_s)
        good &= np.isfinite(batch.time_s)
        if self.watcher:
            self.watcher.position(wiring, batch.time_s, batch.columns[wiring.field], light, good)
        angle = own.get(wiring.sensor)
        if angle is None:
            self._pending[index].add(batch.time_s[good], position[good])
            self._resolve(index, wiring, readings)
            return
        good &= np.isfinite(angle)
        if good.any():
            readings.append(Reading(index, batch.time_s[good], angle[good], position[good]))

    def _resolve(self, index: int, wiring: PositionWiring, readings: list[Reading]) -> None:
        time_s, angle, position = self._pending[index].resolve(self._tracks[wiring.sensor])
        if time_s.size:
            readings.append(Reading(index, time_s, angle, position))

    def turning(self, now_s: float) -> bool:
        """Are the shafts being turned, judged by the last third of a second of any inclinometer?"""
        # Of any: the loss of one link does not hide that the shafts turn.
        if not any(recent.turning(now_s) for recent in self._recent):
            return False
        self._turned_s = now_s
        return True

    def states(self, now_s: float, moved_s: float) -> tuple[tuple[ChannelState, ...], tuple[LinkStatus, ...]]:
        """Return what everybody sees of channels and links; the machine last moved at `moved_s`."""
        since = max(moved_s, self._turned_s)
        silent = {name: book.silent(now_s) for name, book in self._books.items()}
        wired: list[tuple[str, Channel | AuxiliaryChannel]] = [
            (w.link, w.channel) for w in self._wiring.angles
        ]
        wired += [(w.link, w.channel) for w in self._wiring.positions]
        wired += [(w.link, w.channel) for w in self._wiring.auxiliary]
        channels = tuple(_state(c, now_s, silent=silent[link], still_since_s=since) for link, c in wired)
        unpaired = dict.fromkeys(self._books, 0)
        for wiring, pending in zip(self._wiring.positions, self._pending, strict=True):
            unpaired[wiring.link] += pending.dropped
        return channels, tuple(book.status(now_s, unpaired[name]) for name, book in self._books.items())


_SHOWN = {"angle": 180.0 / np.pi, "position": 1e3, "auxiliary": 1.0}
"""From SI to the unit on the screen."""


def _state(
    channel: Channel | AuxiliaryChannel, now_s: float, *, silent: bool, still_since_s: float
) -> ChannelState:
    angle = channel.kind == "angle"
    factor = _SHOWN[channel.kind]
    silent |= channel.silent(now_s)
    value = None if channel.value is None or silent else channel.value * factor
    if value is not None and angle:
        value %= 360.0
    rate, noise = channel.rate_hz(now_s), channel.noise
    return ChannelState(
        name=channel.name,
        kind=channel.kind,
        unit=channel.unit,
        value=None if value is None else round(float(value), 6),
        rate_hz=None if rate is None else round(rate, 1),
        noise=None if noise is None else round(float(noise * factor), 6),
        flags=("silent",) if silent else channel.flags(now_s, still_since_s=still_since_s),
    )
