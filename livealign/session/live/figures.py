"""What a rig at rest shows, in figures: of each link its rate and what it lost, of each channel its noise and drift."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livealign.config.rig import AngleSensor, Auxiliary, DetectorSpec, DeviceClock, Head, Link, Rig
from livealign.model.allan import drift_floor, octaves
from livealign.session.gathering import ChannelRecord, Gathered, LinkRecord
from livealign.stream.clock import UNIT_S, unwrap
from livealign.stream.contracts import Floats
from livealign.units import METRES, RADIANS

__all__ = [
    "ChannelFigures",
    "HeadsApart",
    "LinkFigures",
    "RestFigures",
    "Scatter",
    "Wired",
    "at_rest",
    "wired",
]

_AT_REST_DEG = 1.0
_GAP_PERIODS = 3.0
_LEAST_GAP_S = 0.05
_GAP_ARRIVALS = 10.0
_LEAST_ARRIVAL_GAP_S = 0.5
"""Without a clock of the device only a long pause is surely a gap: USB and radio bring records in bursts."""
_MOST_DIGITS = 9
_MOST_ZEROS = 3
_MOST_STEPS = 1000.0


@dataclass(frozen=True, slots=True)
class Scatter:
    """How far something lies from what is usual."""

    median: float
    p99: float


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """What one link brought and lost."""

    name: str
    driver: str
    state: str
    detail: str
    records: int
    bytes: int
    rate_hz: float | None
    """Records a second; None if too few came."""
    nominal_rate_hz: float | None
    arrival_ms: Scatter | None
    """How far the time from one arrival to the next lies from its median; None for a file or too few records."""
    bursts_ms: float | None
    """The time from one arrival to the next that one in a hundred exceeds."""
    clock_ms: Scatter | None
    """How far the device's steps from record to record lie from their median, by its own clock."""
    clock_step_ms: float | None
    """That median."""
    clock_pace: float | None
    """Seconds of the device's clock in one second here."""
    gaps: int
    """Pauses much longer than a record takes."""
    lost: int
    """Records that did not come: by their numbers, or as many as fit the gaps if they have none."""
    longest_gap_s: float | None
    duplicates: int
    bad: int
    last_bad: str
    reconnects: int
    restarts: int
    dropped: int
    """Pieces this computer had no time for."""
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ChannelFigures:
    """What one channel shows; in deg, mm, or an auxiliary channel's own unit."""

    name: str
    kind: Literal["angle", "position", "auxiliary"]
    link: str
    field: str
    unit: str
    readings: int
    """That were there at all."""
    usable: float
    """Share of them that may be used."""
    value: float | None
    """Median of the usable ones."""
    noise: float | None
    """Standard deviation of one reading, trends removed; None where too few came or nothing is declared."""
    declared_noise: float | None
    floor: float | None
    """The least scatter that averaging can reach."""
    floor_s: float | None
    """The averaging time that reaches it."""
    drift: float | None
    """Change over the time; None while the shafts were turned, or if it was too short."""
    drift_u: float | None
    """Its standard uncertainty."""
    least: float | None
    greatest: float | None
    range: tuple[float, float] | None
    """As declared."""
    clipped: float
    """Share of the readings."""
    dim: float
    light: float | None
    """Median."""
    dim_below: float | None
    step: float | None
    """Smallest step, if all readings lie on a grid of such steps."""
    digit: float | None
    """What the last digit that is sent is worth; None if the field is worked out here."""
    constant: bool
    """Has it not changed at all?"""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class HeadsApart:
    """Two inclinometers on coupled shafts."""

    one: str
    other: str
    apart_deg: float
    """Angle of the other less that of the one, from -180 to 180."""
    sum_deg: float
    """Their sum, likewise: near 0 for one that counts the other way from the same zero."""
    u_deg: float
    """Standard uncertainty of the difference, from the zeros as declared."""


@dataclass(frozen=True, slots=True)
class RestFigures:
    """A rig at rest."""

    seconds: float
    turned_deg: float
    """How far any shaft angle moved meanwhile."""
    links: tuple[LinkFigures, ...]
    channels: tuple[ChannelFigures, ...]
    apart: tuple[HeadsApart, ...]

    @property
    def still(self) -> bool:
        """Did the shafts stand still, so that a trend is drift?"""
        return self.turned_deg < _AT_REST_DEG


@dataclass(frozen=True, slots=True)
class Wired:
    """A channel's place in the rig file."""

    name: str
    head: Head
    spec: AngleSensor | DetectorSpec | Auxiliary
    link: Link


def wired(rig: Rig) -> Iterator[Wired]:
    """Yield every channel of a rig with its part of the file, by the names that the session gives them."""
    links = {link.name: link for link in rig.links}
    for head in rig.heads:
        named: list[tuple[str, AngleSensor | DetectorSpec | Auxiliary]] = []
        if head.angle is not None:
            named.append(("angle", head.angle))
        named += [(d.name, d) for d in head.detectors]
        named += [(a.name, a) for a in head.auxiliary]
        for name, spec in named:
            yield Wired(f"{head.name} {name}", head, spec, links[spec.link or head.link])


def at_rest(rig: Rig, gathered: Gathered) -> RestFigures:
    """Work out the figures of a rig whose shafts stand still."""
    places = {w.name: w for w in wired(rig)}
    turned = max(
        (_turned_deg(c) for c in gathered.channels.values() if c.kind == "angle" and c.good.any()),
        default=0.0,
    )
    links = {link.name: link for link in rig.links}
    still = turned < _AT_REST_DEG
    return RestFigures(
        seconds=gathered.end_s - gathered.start_s,
        turned_deg=turned,
        links=tuple(_link(links[name], record) for name, record in gathered.links.items()),
        channels=tuple(_channel(places[n], record, still=still) for n, record in gathered.channels.items()),
        apart=tuple(_apart(gathered, places)),
    )


def _link(link: Link, record: LinkRecord) -> LinkFigures:
    c, n = record.counters, record.arrival_s.size
    is_file = link.driver.kind == "file"
    arrivals = np.unique(record.arrival_s)
    between = np.diff(arrivals)
    clock = None if record.counts is None or link.clock is None else _device_s(link.clock, record.counts)
    steps = np.empty(0) if clock is None else np.diff(clock)
    enough = between.size >= 5 and not is_file
    span_s = _span(record.time_s if is_file else record.arrival_s)
    gaps, longest_s, in_gaps = _gaps(steps, between) if not is_file else _gaps(steps, np.empty(0))
    numbered = link.sequence is not None
    forward = steps[steps > 0]
    usual = float(np.median(forward)) if forward.size else 0.0
    # A step twice as long is a record that did not come, and no unevenness.
    within = steps[(steps >= 0) & (steps < 1.5 * usual)]
    return LinkFigures(
        name=link.name,
        driver=link.driver.kind,
        state=record.status.state,
        detail=record.status.detail,
        records=c.records,
        bytes=c.bytes,
        rate_hz=(n - 1) / span_s if n >= 3 and span_s > 0 else None,
        nominal_rate_hz=link.nominal_rate_hz,
        arrival_ms=_scatter(between) if enough else None,
        bursts_ms=float(np.percentile(between, 99)) * 1e3 if enough else None,
        clock_ms=_scatter(within) if within.size >= 5 else None,
        clock_step_ms=usual * 1e3 if usual else None,
        clock_pace=None if is_file else _pace(steps, usual, record.arrival_s),
        gaps=gaps,
        lost=c.missed if numbered else max(0, in_gaps - c.bad),
        longest_gap_s=longest_s,
        duplicates=c.repeated if numbered else int((steps == 0).sum()) if _ticks_apart(link, usual) else 0,
        bad=c.bad,
        last_bad=record.status.last_bad if c.bad else "",
        reconnects=c.reconnects,
        restarts=c.restarts,
        dropped=c.dropped + record.dropped,
        fields=record.fields,
    )


def _span(time_s: Floats) -> float:
    known = time_s[np.isfinite(time_s)]
    return float(known[-1] - known[0]) if known.size else 0.0


def _device_s(clock: DeviceClock, counts: Floats) -> Floats:
    """Return the device's own time (s) of the records that tell it, wrap-around undone."""
    modulus = None if clock.wrap_bits is None else 2.0**clock.wrap_bits
    return unwrap(counts[np.isfinite(counts)], None, modulus) * UNIT_S[clock.unit]


def _ticks_apart(link: Link, usual_s: float) -> bool:
    """Is the clock fine enough that two records cannot rightly have the same time?"""
    return link.clock is not None and usual_s >= 2.0 * UNIT_S[link.clock.unit]


def _scatter(steps_s: Floats) -> Scatter:
    away = np.abs(steps_s - np.median(steps_s)) * 1e3
    return Scatter(float(np.median(away)), float(np.percentile(away, 99)))


def _gaps(steps_s: Floats, between_s: Floats) -> tuple[int, float | None, int]:
    """Return how many gaps there are, the longest (s), and how many records fit into them."""
    if steps_s.size:
        usual, limit = float(np.median(steps_s)), _LEAST_GAP_S
        limit = max(limit, _GAP_PERIODS * usual)
    elif between_s.size:
        usual = float(np.median(between_s))
        limit = max(_LEAST_ARRIVAL_GAP_S, _GAP_ARRIVALS * usual)
        steps_s = between_s
    else:
        return 0, None, 0
    gaps = steps_s[steps_s > limit]
    if not gaps.size or usual <= 0.0:
        return 0, None, 0
    return gaps.size, float(gaps.max()), int(np.sum(np.rint(gaps / usual) - 1))


def _pace(steps_s: Floats, usual_s: float, arrival_s: Floats) -> float | None:
    """Return how fast the device's clock runs against ours; a clock that began anew has run on meanwhile."""
    if not usual_s or arrival_s.size < 10 or arrival_s[-1] - arrival_s[0] < 1.0:
        return None
    went = steps_s[(steps_s > 0) & (steps_s < _MOST_STEPS * usual_s)]
    return float(went.sum() / (arrival_s[-1] - arrival_s[0]))


def _channel(place: Wired, record: ChannelRecord, *, still: bool) -> ChannelFigures:
    spec, factor = place.spec, _SHOWN[record.kind]
    there = np.isfinite(record.raw) | np.isinf(record.raw)
    readings = int(there.sum())
    good = record.good
    value, time_s = record.value[good] * factor, record.time_s[good]
    lit = None if record.light is None else record.light[np.isfinite(record.light)]
    measured = not isinstance(spec, Auxiliary)
    drift, drift_u = _drift(time_s, value) if still and measured else (None, None)
    floor, floor_s = _floor(time_s, value) if still and measured else (None, None)
    raw = record.raw[np.isfinite(record.raw)]
    worth = _worth(spec)
    return ChannelFigures(
        name=record.name,
        kind=record.kind,
        link=record.link,
        field=record.field,
        unit=spec.unit if isinstance(spec, Auxiliary) else {"angle": "deg", "position": "mm"}[record.kind],
        readings=readings,
        usable=float(good.sum()) / readings if readings else 0.0,
        value=_middle(value, around=record.kind == "angle"),
        noise=_noise(value) if measured else None,
        declared_noise=_declared(spec),
        floor=floor,
        floor_s=floor_s,
        drift=drift,
        drift_u=drift_u,
        least=float(value.min()) if value.size else None,
        greatest=float(value.max()) if value.size else None,
        range=spec.range_mm if isinstance(spec, DetectorSpec) else None,
        clipped=float(record.clipped.sum()) / readings if readings else 0.0,
        dim=float(record.dim.sum()) / readings if readings else 0.0,
        light=float(np.median(lit)) if lit is not None and lit.size else None,
        dim_below=spec.dim_below if isinstance(spec, DetectorSpec) else None,
        step=_step(raw, worth),
        digit=None if record.field in place.link.computed else _digit(raw, worth),
        constant=bool(raw.size and raw.min() == raw.max()),
        low=spec.low if isinstance(spec, Auxiliary) else None,
        high=spec.high if isinstance(spec, Auxiliary) else None,
    )


def _middle(value: Floats, *, around: bool) -> float | None:
    if not value.size:
        return None
    middle = float(np.median(value))
    return middle % 360.0 if around else middle


_SHOWN = {"angle": 180.0 / np.pi, "position": 1e3, "auxiliary": 1.0}


def _declared(spec: AngleSensor | DetectorSpec | Auxiliary) -> float | None:
    if isinstance(spec, AngleSensor):
        return spec.noise_deg
    return spec.noise_mm if isinstance(spec, DetectorSpec) else None


def _worth(spec: AngleSensor | DetectorSpec | Auxiliary) -> float:
    """Return what 1 of the raw number is, as shown; straightening changes it little."""
    if isinstance(spec, AngleSensor):
        return RADIANS[spec.unit] * 180.0 / np.pi
    return METRES[spec.unit] * 1e3 / spec.gain if isinstance(spec, DetectorSpec) else abs(spec.scale)


def _noise(value: Floats) -> float | None:
    """Return the standard deviation of one reading from second differences, as the dashboard does."""
    if value.size < 20:
        return None
    second = value[2:] - 2.0 * value[1:-1] + value[:-2]
    return float(np.sqrt(np.mean(second * second) / 6.0))


def _seconds(time_s: Floats, value: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the mean time, mean value and number of readings of each second that is full enough."""
    known = np.isfinite(time_s)
    time_s, value = time_s[known], value[known]
    if not time_s.size:
        return np.empty(0), np.empty(0), np.empty(0)
    second = np.floor(time_s - time_s[0]).astype(int)
    second -= second.min()
    number = np.bincount(second).astype(float)
    full = number > 0.5 * number.max()
    mean_s, mean = (np.bincount(second, w)[full] / number[full] for w in (time_s, value))
    return mean_s, mean, number[full]


def _drift(time_s: Floats, value: Floats) -> tuple[float | None, float | None]:
    """Return how much it changed over the time along a straight line, and the standard uncertainty of that."""
    when, mean, number = _seconds(time_s, value)
    noise = _noise(value)
    if when.size < 5 or noise is None:
        return None, None
    away = when - when.mean()
    square, span = float(away @ away), float(when[-1] - when[0])
    slope = float(away @ mean) / square
    left = mean - mean.mean() - slope * away
    scatter = max(float(left @ left) / (when.size - 2), noise**2 / float(number.mean()))
    return slope * span, float(np.sqrt(scatter / square)) * span


def _floor(time_s: Floats, value: Floats) -> tuple[float | None, float | None]:
    known = time_s[np.isfinite(time_s)]
    if known.size < 20 or known[-1] <= known[0] or not octaves(value.size):
        return None, None
    return drift_floor(value, float(known[-1] - known[0]) / (known.size - 1))


def _step(raw: Floats, worth: float) -> float | None:
    """Return the smallest step if all values lie on its grid."""
    levels = np.unique(raw)
    if levels.size < 2:
        return None
    apart = np.diff(levels)
    least = float(apart[apart > 1e-9 * max(1.0, float(np.abs(levels).max()))].min(initial=np.inf))
    if not np.isfinite(least):
        return None
    times = (levels - levels[0]) / least
    if times[-1] > 1e6 or np.abs(times - np.rint(times)).max() > 0.05:
        return None
    return least * worth


def _digit(raw: Floats, worth: float) -> float | None:
    """Return what the last figure that is not 0 is worth: of a coarse head that sends 120.0, ten of its units."""
    if not raw.size:
        return None
    some = raw[:200]
    for digits in range(-_MOST_ZEROS, _MOST_DIGITS):
        if np.all(np.round(some, digits) == some):
            return 10.0**-digits * worth
    return 10.0**-_MOST_DIGITS * worth


def _turned_deg(record: ChannelRecord) -> float:
    """Return how far an angle moved, its noise averaged away."""
    angle = np.degrees(record.value[record.good])
    size = max(1, min(angle.size // 10, 20))
    means = angle[: angle.size - angle.size % size].reshape(-1, size).mean(axis=1)
    return float(np.ptp(means))


def _apart(gathered: Gathered, places: dict[str, Wired]) -> Iterator[HeadsApart]:
    angles = [c for c in gathered.channels.values() if c.kind == "angle" and c.good.sum() >= 5]
    for other in angles[1:]:
        one = angles[0]
        a, b = (float(np.degrees(np.median(c.value[c.good]))) for c in (one, other))
        zeros = [
            p.spec.zero_u_deg
            for p in (places[one.name], places[other.name])
            if isinstance(p.spec, AngleSensor)
        ]
        yield HeadsApart(one.name, other.name, _turn(b - a), _turn(a + b), float(np.linalg.norm(zeros)))


def _turn(deg: float) -> float:
    return (deg + 180.0) % 360.0 - 180.0
