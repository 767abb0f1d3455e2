"""The one picture of a job that every screen, client, recording and command reads.

A `Snapshot` is immutable, is encoded once, and carries its units in its names. What is not known is
None; NaN and infinity never appear. Signs: up and toward 3 o'clock are positive, seen by a viewer who
stands behind the movable machine and looks along the shafts at the stationary one.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any, Final, Literal

from pydantic import TypeAdapter

__all__ = [
    "SCHEMA",
    "BoltUp",
    "BoltUpMove",
    "BoltUpStep",
    "BoltUpVerdict",
    "BudgetLine",
    "BudgetPart",
    "ChannelState",
    "Closing",
    "ClosingState",
    "CounterState",
    "Diagnosis",
    "Finding",
    "Foot",
    "GrossReading",
    "ItemState",
    "LinkStatus",
    "MachineState",
    "Phase",
    "Plane",
    "PlanePose",
    "Pose",
    "ReadinessItem",
    "Residual",
    "RotationState",
    "Settling",
    "Side",
    "Snapshot",
    "SoftFoot",
    "SoftFootKind",
    "SoftFootState",
    "Verdict",
    "VerdictState",
    "decode",
    "encode",
    "json_schema",
]

SCHEMA: Final = "livealign.snapshot/1"

Phase = Literal["ready", "rotation", "findings", "adjust"]
"""ready: nothing measured yet; rotation: a sweep is being read; findings: it has ended; adjust: a plane is followed live."""

Plane = Literal["vertical", "horizontal"]
MachineState = Literal["unknown", "turning", "moving", "settling", "settled"]
ItemState = Literal["open", "done", "not applicable"]
ClosingState = Literal["verified", "not verified"]
Side = Literal["left", "right"]
"""Of a foot plane: toward 9 and toward 3 o'clock."""
SoftFootKind = Literal["not known", "none", "soft", "parallel", "angular", "springy", "induced"]
BoltUpVerdict = Literal["not known", "inside", "undecided", "beyond"]
VerdictState = Literal["conforming", "not conforming", "undecided", "not known"]


@dataclass(frozen=True, slots=True)
class PlanePose:
    """Offset at the coupling centre and slope of the movable axis in one plane; u is a standard uncertainty."""

    offset_mm: float | None = None
    offset_u_mm: float | None = None
    slope_mm_per_m: float | None = None
    slope_u_mm_per_m: float | None = None


@dataclass(frozen=True, slots=True)
class Pose:
    """The movable shaft's axis against the stationary one."""

    vertical: PlanePose = PlanePose()
    horizontal: PlanePose = PlanePose()


@dataclass(frozen=True, slots=True)
class Foot:
    """The move to make at one foot plane: positive is up, and toward 3 o'clock."""

    name: str
    x_mm: float
    vertical_mm: float | None = None
    vertical_u_mm: float | None = None
    horizontal_mm: float | None = None
    horizontal_u_mm: float | None = None
    vertical_words: str = "not known"
    horizontal_words: str = "not known"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Against the tolerance, with the probability that the true pose conforms."""

    state: VerdictState = "not known"
    probability: float | None = None
    criterion: str = ""
    source: str = ""
    limit: str = ""
    worst: str = ""
    """Where the largest share of the limit is used, and how much of it, in words."""
    used: float | None = None
    """The estimated deviation as a share of the limit; above 1 is outside."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A pose kept for the record, with what follows from it."""

    time_s: float
    pose: Pose
    feet: tuple[Foot, ...]
    verdict: Verdict
    gap_vertical_mm: float | None = None
    gap_horizontal_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Residual:
    """One pooled reading of the sweep against the fit, for the rotation chart."""

    detector: str
    angle_deg: float
    residual_mm: float
    used: bool


@dataclass(frozen=True, slots=True)
class GrossReading:
    """A reading of the sweep that the fit gives no weight."""

    time_s: float
    channel: str
    angle_deg: float
    size_mm: float
    """By how much it misses the fit."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the residuals of the sweep say about the rig."""

    name: str
    size: float
    unit: Literal["mm", "deg", "deg/s", "ms", ""]
    where: str
    """Detectors concerned."""
    cause: str
    remedy: str


@dataclass(frozen=True, slots=True)
class BudgetPart:
    """What one source brings to a figure's uncertainty."""

    source: str
    u: float


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """The uncertainty of one figure and where it comes from."""

    quantity: str
    unit: str
    u: float
    """Combined standard uncertainty."""
    k: float
    """Factor that expands it to 95 %."""
    parts: tuple[BudgetPart, ...]
    """Squares of their u add up to that of the whole."""
    largest: str
    remedy: str
    """What would shrink the largest part."""


@dataclass(frozen=True, slots=True)
class RotationState:
    """What the sweep has covered and how good it is."""

    arc_deg: float = 0.0
    """Widest span of angles covered, in degrees; 360 for a full turn."""
    covered: tuple[float, ...] = ()
    """Share of information per 10 degree sector (36 of them, from 0 at 12 o'clock, clockwise), the best sector being 1."""
    readings: int = 0
    left_out: int = 0
    """Readings that the robust fit gave no weight."""
    residual_sd_mm: float | None = None
    observable: bool = False
    missing: tuple[str, ...] = ()
    """What is not observable, why, and what to add."""
    advice: str = ""
    """What would help most, in words."""
    next_angle_deg: float | None = None
    """Where the next reading shrinks the worst foot's uncertainty most."""
    enough: bool = False
    """More turning would not change the verdict, at the job's confidence."""
    residuals: tuple[Residual, ...] = ()
    gross: tuple[GrossReading, ...] = ()
    """The largest of those left out."""


@dataclass(frozen=True, slots=True)
class Settling:
    """How still the machine is while it is adjusted."""

    still_s: float = 0.0
    parked_deg: float | None = None
    parked_words: str = ""
    seconds_left: float | None = None
    """Rough time until settled; None when not known."""
    final_offset_mm: float | None = None
    """Where the adjusted plane's offset is heading while it settles."""
    final_slope_mm_per_m: float | None = None
    held_words: str = ""
    """What is known of the plane that is not adjusted."""


@dataclass(frozen=True, slots=True)
class ChannelState:
    """One calibrated stream."""

    name: str
    kind: Literal["position", "angle", "auxiliary"]
    unit: str
    value: float | None = None
    rate_hz: float | None = None
    noise: float | None = None
    """Standard deviation of short-term noise, in the channel's unit."""
    flags: tuple[str, ...] = ()
    """Any of: steady, drifting, noisy, silent, dim, clipped, jumped; of an auxiliary one: low, high, silent."""


@dataclass(frozen=True, slots=True)
class CounterState:
    """What a link has brought and lost since the session began."""

    frames: int = 0
    bytes: int = 0
    records: int = 0
    bad: int = 0
    """Lines or packets that could not be read or failed their checksum."""
    missed: int = 0
    """Gaps in the sequence counter, in records."""
    repeated: int = 0
    """Records that came twice, by their sequence number, and were dropped."""
    late: int = 0
    """Records that came after later ones."""
    restarts: int = 0
    """How often the device began to count anew."""
    unpaired: int = 0
    """Positions for which no angle could be had."""
    dropped: int = 0
    """Frames that the full queue had to drop."""
    reconnects: int = 0


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """A wire or radio and how it fares."""

    name: str
    state: Literal["connecting", "open", "silent", "lost", "refused", "ended"]
    detail: str = ""
    since_s: float = 0.0
    rate_hz: float | None = None
    clock_u_ms: float | None = None
    """Standard uncertainty of the device clock's mapping; None without a device clock."""
    counters: CounterState = CounterState()
    last_bad: str = ""


@dataclass(frozen=True, slots=True)
class ReadinessItem:
    """One item of the checklist, and who said what of it and when."""

    id: str
    title: str
    text: str
    safety: bool = False
    """While it is open the job cannot be closed as verified."""
    limit_mm: float | None = None
    source: str = ""
    state: ItemState = "open"
    who: str = ""
    time_s: float | None = None
    note: str = ""
    """A remark; of an item that is not applicable, the reason."""
    value_mm: float | None = None
    """What was measured, where there is a limit."""


@dataclass(frozen=True, slots=True)
class SoftFootState:
    """One foot of the movable machine while soft feet are looked for."""

    plane: str
    side: Side
    bolt: Literal["not loosened", "loose", "tightened"] = "not loosened"
    """In this round."""
    rise_mm: float | None = None
    """What was under the foot by the movement of the shaft when its bolt was loosened."""
    rise_u_mm: float | None = None
    gaps_mm: tuple[float, ...] = ()
    """By feeler gauge: inner near, inner far, outer near, outer far; empty if not measured. Near is toward the coupling."""
    kind: SoftFootKind = "not known"
    shim_mm: float | None = None
    """To add under it."""
    words: str = ""
    before_mm: float | None = None
    """Its rise in the round before."""
    left_mm: float | None = None
    """By how much the shaft did not come back in this plane, up, when the bolt was tightened again."""


@dataclass(frozen=True, slots=True)
class SoftFoot:
    """The search for soft feet."""

    state: Literal["not begun", "watching", "ended"] = "not begun"
    round: int = 0
    feet: tuple[SoftFootState, ...] = ()
    at_rest: bool = False
    """The readings are at rest: a bolt can be loosened or tightened."""
    limit_mm: float | None = None
    source: str = ""
    words: str = ""
    """What to do now."""


@dataclass(frozen=True, slots=True)
class BoltUpMove:
    """A movement of the shaft at the coupling's centre; None in a plane that the parked rig does not see."""

    vertical_mm: float | None = None
    vertical_u_mm: float | None = None
    horizontal_mm: float | None = None
    horizontal_u_mm: float | None = None


@dataclass(frozen=True, slots=True)
class BoltUpStep:
    """What was tightened, and what the shaft did."""

    name: str
    time_s: float
    by_step: BoltUpMove
    since_begin: BoltUpMove


@dataclass(frozen=True, slots=True)
class BoltUp:
    """Flanges or bolts tightened one after another while the shaft is watched: pipe strain."""

    state: Literal["not begun", "watching", "ended"] = "not begun"
    steps: tuple[BoltUpStep, ...] = ()
    since_begin: BoltUpMove = BoltUpMove()
    """At the last rest."""
    verdict: BoltUpVerdict = "not known"
    """Of the largest movement at any rest, against the limit."""
    at_rest: bool = False
    limit_mm: float | None = None
    source: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True)
class Closing:
    """How the job was closed."""

    state: ClosingState
    who: str
    time_s: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that is known about a job at one moment."""

    schema: Literal["livealign.snapshot/1"]
    sequence: int
    time_s: float
    """Seconds since the session began."""
    job: str
    units: Literal["mm", "inch"]
    """What the person wants to read; the snapshot itself is always in mm."""
    phase: Phase
    plane: Plane
    """The plane that is being adjusted, or will be."""
    hold: bool
    """Readings are shown but kept out of the estimate."""
    pose: Pose
    feet: tuple[Foot, ...]
    verdict: Verdict
    machine_state: MachineState
    gap_diameter_mm: float
    gap_vertical_mm: float | None
    """Top minus bottom over the coupling diameter."""
    gap_horizontal_mm: float | None
    """3 o'clock minus 9 o'clock."""
    rotation: RotationState
    settling: Settling
    channels: tuple[ChannelState, ...]
    links: tuple[LinkStatus, ...]
    as_found: Finding | None = None
    as_left: Finding | None = None
    diagnoses: tuple[Diagnosis, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    """Of the findings; empty in other phases."""
    advice: tuple[str, ...] = ()
    """What to do next, in words, most important first."""
    notes: tuple[str, ...] = ()
    readiness: tuple[ReadinessItem, ...] = ()
    """The checklist; empty if the session has none."""
    closed: Closing | None = None
    soft_foot: SoftFoot = SoftFoot()
    bolt_up: BoltUp = BoltUp()


@cache
def _adapter() -> TypeAdapter[Snapshot]:
    return TypeAdapter(Snapshot)


def encode(snapshot: Snapshot) -> bytes:
    """Return the snapshot as compact JSON; the same snapshot always gives the same bytes."""
    return _adapter().dump_json(snapshot)


def decode(data: bytes | str) -> Snapshot:
    """Return the snapshot that `encode` wrote.

    Raises:
        pydantic.ValidationError: if the data is no snapshot of this schema.
    """
    return _adapter().validate_json(data)


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of the snapshot (draft 2020-12)."""
    schema = _adapter().json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
