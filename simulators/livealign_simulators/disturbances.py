"""All that can be wrong with a machine, its heads and its links; as given, nothing is."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from livealign_simulators.frame import Frame
from livealign_simulators.machine import Settling
from livealign_simulators.optics import Optics
from livealign_simulators.radio import RadioFaults
from livealign_simulators.thermal import Warming
from livealign_simulators.trace import Shaft
from livealign_simulators.vibration import Vibration

__all__ = [
    "NONE",
    "AngleFaults",
    "CablePull",
    "Disturbances",
    "HeadFaults",
    "LinkFaults",
    "Mistakes",
    "Runout",
    "SlowNoise",
]


@dataclass(frozen=True, slots=True)
class CablePull:
    """A cable that is too short in part of the turn and drags the head along, most in the middle of that part."""

    from_deg: float
    to_deg: float
    """Clockwise of `from_deg`; may be beyond 360."""
    outward_mm: float = 0.0
    clockwise_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class HeadFaults:
    """How a head stands on its shaft."""

    turned_deg: float = 0.0
    """Clockwise of the other heads; its inclinometer and its detectors turn with it."""
    outward_mm: float = 0.0
    """Knocked from where it was clamped."""
    clockwise_mm: float = 0.0
    loose_mm: float = 0.0
    """How far it falls to either side, clockwise or back, as its shaft turns."""
    loose_friction: float = 0.2
    """It falls when the sine of the angle is more than this; what holds at the beginning holds throughout."""
    cable: CablePull | None = None


@dataclass(frozen=True, slots=True)
class AngleFaults:
    """What an inclinometer shows beside the angle: it is an accelerometer."""

    radius_mm: float = 0.0
    """Of its place from the shaft's axis: turning is felt there."""
    delay_s: float = 0.0
    """Its filter shows the angle of so long ago."""
    offsets_g: tuple[float, float] = (0.0, 0.0)
    """Errors of the outward and of the clockwise axis."""
    scales: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True, slots=True)
class SlowNoise:
    """Noise of the detectors' places that does not average out as white noise does (air, electronics)."""

    drift_mm: float = 0.0
    """Standard deviation of a part that is forgotten exponentially."""
    memory_s: float = 1.0
    flicker_mm: float = 0.0
    """Standard deviation of a part with the spectrum 1/f."""


@dataclass(frozen=True, slots=True)
class LinkFaults:
    """The clock of a device and the way its records take."""

    rate_ppm: float | None = None
    """How much its clock is fast; None: drawn from the seed."""
    radio: RadioFaults = field(default_factory=RadioFaults)


@dataclass(frozen=True, slots=True)
class Runout:
    """A shaft whose surface is off its axis, where heads are clamped or indicators touch; that turns with the shaft.

    What is clamped to a shaft is carried round its true axis whatever its surface is like: for heads runout is a constant.
    An indicator sees the runout of what it touches, unless both shafts turn together.
    """

    shaft: Shaft
    mm: float
    at_deg: float = 0.0
    """Where on the shaft it is highest, clockwise of its angle."""


@dataclass(frozen=True, slots=True)
class Mistakes:
    """What the person who set up the rig got wrong."""

    swapped: bool = False
    """Each of two heads sits on the other's shaft, facing the other way."""
    wrong_sense: frozenset[str] = frozenset()
    """Heads whose angle grows the other way than the rig file says."""


@dataclass(frozen=True, slots=True)
class Disturbances:
    """Everything at once; the mappings are by the names of heads and links."""

    frame: Frame | None = None
    settling: Settling = field(default_factory=Settling)
    warmings: tuple[Warming, ...] = ()
    vibrations: tuple[Vibration, ...] = ()
    backlash_deg: float = 0.0
    """The coupling's play: the movable shaft is turned, the stationary one follows."""
    runouts: tuple[Runout, ...] = ()
    mistakes: Mistakes = Mistakes()
    heads: Mapping[str, HeadFaults] = field(default_factory=dict)
    angles: Mapping[str, AngleFaults] = field(default_factory=dict)
    optics: Mapping[str, Optics] = field(default_factory=dict)
    slow_noise: SlowNoise = SlowNoise()
    links: Mapping[str, LinkFaults] = field(default_factory=dict)


NONE = Disturbances()
