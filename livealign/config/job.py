"""The job file: which machines, how far apart, what is allowed."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from livealign.materials import EXPANSION_U, Material

__all__ = [
    "Coupling",
    "CouplingGrowth",
    "Distance",
    "FlexPlaneTolerance",
    "FootPlane",
    "Growth",
    "Job",
    "Machines",
    "OffsetAngleTolerance",
    "RiseGrowth",
    "ShimSize",
    "Shims",
    "SpeedInverseTolerance",
    "SpeedRow",
    "SpeedTableTolerance",
    "Target",
    "TemperatureGrowth",
    "Tolerance",
]

Name = Annotated[str, Field(min_length=1, max_length=60)]
Source = Annotated[str, Field(min_length=1, max_length=200)]
# Strict: true is no number, and a number in quotes is text.
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Machines(_Part):
    """What turns."""

    stationary: Name
    movable: Name
    shaft_speed_rpm: Positive


class Coupling(_Part):
    """The coupling between the shafts; its centre is the origin of all distances."""

    diameter: Positive
    """Where a gap would be measured."""
    flex_planes_apart: Positive
    """Distance between the two planes in which the coupling bends."""


class FootPlane(_Part):
    """A pair of feet of the movable machine, at one distance along the shaft."""

    name: Name


class Distance(_Part):
    """A tape measurement along the shafts, from the point nearer the stationary machine to the other.

    Points are `coupling` (its centre), the heads by the rig's names, and the foot planes by their names.
    """

    start: Name = Field(alias="from")
    end: Name = Field(alias="to")
    length: Finite
    u: NotNegative
    """Standard uncertainty of the length."""


class _Decided(_Part):
    """What decides whether the deviation found is inside the limits (JCGM 106)."""

    decision: Literal["probability", "guard-band"] = "probability"
    """How the certainty of a verdict is given: as the job's `confidence`, or as a guard band beside the limit."""
    guard: Annotated[float, Field(gt=0, le=4, strict=True)] = 2.0
    """Width of the guard band in standard uncertainties."""

    @property
    def guard_band(self) -> float | None:
        """Width of the guard band in standard uncertainties; None if `confidence` decides."""
        return self.guard if self.decision == "guard-band" else None


class FlexPlaneTolerance(_Decided):
    """Offset at each flex plane over their distance (API RP 686, 2nd ed. 2009, cl. 5.4.6.2: 0.5 mm/m)."""

    rule: Literal["flex-plane"] = "flex-plane"
    limit_mm_per_m: Positive = 0.5
    """The same number in mil per inch."""


class OffsetAngleTolerance(_Decided):
    """Limits of the person's own for offset at the coupling centre and slope, both planes combined."""

    rule: Literal["offset-angle"]
    offset: Positive
    angle_mm_per_m: Positive
    source: str = ""
    """Where the limits come from, for the record."""


class SpeedRow(_Part):
    """The limits up to a speed."""

    rpm: Positive
    offset: Positive
    angle_mm_per_m: Positive


class SpeedTableTolerance(_Decided):
    """Limits by speed, from a table the person enters: the first row at or above the shaft speed holds."""

    rule: Literal["speed-table"]
    source: Source
    """Whose table it is, for the record."""
    rows: Annotated[tuple[SpeedRow, ...], Field(min_length=1, max_length=50)]


class SpeedInverseTolerance(_Decided):
    """Limits inversely proportional to speed, from one point that a person answers for."""

    rule: Literal["speed-inverse"]
    reference_rpm: Positive
    offset: Positive
    """At the reference speed; so is the angle."""
    angle_mm_per_m: Positive
    confirmed_by: Name
    """Who says that the limits may be converted so for these machines."""
    source: str = ""


Tolerance = Annotated[
    FlexPlaneTolerance | OffsetAngleTolerance | SpeedTableTolerance | SpeedInverseTolerance,
    Field(discriminator="rule"),
]


class _PoseChange(_Part):
    """Offset at the coupling centre and slope, in both planes."""

    vertical_offset: Finite = 0.0
    vertical_slope_mm_per_m: Finite = 0.0
    horizontal_offset: Finite = 0.0
    horizontal_slope_mm_per_m: Finite = 0.0
    vertical_offset_u: NotNegative = 0.0
    """Standard uncertainty of the offset, and so on."""
    vertical_slope_u_mm_per_m: NotNegative = 0.0
    horizontal_offset_u: NotNegative = 0.0
    horizontal_slope_u_mm_per_m: NotNegative = 0.0


class Target(_PoseChange):
    """The pose wanted when the readings are taken, growth in `[[growth]]` left aside."""


class _Grows(_Part):
    machine: Literal["stationary", "movable"]


class TemperatureGrowth(_Grows):
    """How much one support of a machine grows by getting warmer."""

    given: Literal["temperatures"]
    at: Name
    """A foot plane, or another point of the distances."""
    height: Positive
    """From the foot plane to the shaft's centreline."""
    cold: Finite
    """Mean temperature between the two while the machine is measured."""
    running: Finite
    degrees: Literal["C", "F"] = "C"
    warmer_u: NotNegative = 2.0
    """Standard uncertainty of running less cold, in the same degrees."""
    material: Material | None = None
    expansion_um_per_m_k: Positive | None = None
    """Of a material that has no name here: in a millionth for one kelvin."""
    expansion_u: Annotated[float, Field(ge=0, lt=1, strict=True)] = EXPANSION_U
    """Relative standard uncertainty of the expansion."""


class RiseGrowth(_Grows):
    """How much the axis moves at one plane, as somebody measured or states it."""

    given: Literal["rise"]
    at: Name
    up: Finite
    up_u: NotNegative
    sideways: Finite = 0.0
    """Toward 3 o'clock."""
    sideways_u: NotNegative = 0.0


class CouplingGrowth(_Grows, _PoseChange):
    """How the axis of a machine moves at the coupling, as somebody measured or states it."""

    given: Literal["coupling"]


Growth = Annotated[TemperatureGrowth | RiseGrowth | CouplingGrowth, Field(discriminator="given")]


class ShimSize(_Part):
    """Shims of one thickness."""

    thickness: Positive
    count: Annotated[int, Field(ge=0, le=10_000, strict=True)] | None = None
    """How many there are; None: plenty."""


class Shims(_Part):
    """The shims there are."""

    most_per_foot: Annotated[int, Field(ge=1, le=6, strict=True)] = 4
    """Shims in a pack. Common practice, no source."""
    sizes: Annotated[tuple[ShimSize, ...], Field(min_length=1, max_length=20)] | None = None
    """None: the usual sizes, plenty of each."""


class Job(_Part):
    """All that is known of a job before the first reading."""

    file_schema: Literal["livealign.job/1"] = Field(alias="schema")
    name: Name
    units: Literal["mm", "inch"]
    """Unit of every length in the file, and of what is shown."""
    machines: Machines
    coupling: Coupling
    feet: Annotated[tuple[FootPlane, ...], Field(min_length=1, max_length=20)]
    distances: Annotated[tuple[Distance, ...], Field(min_length=1, max_length=200)]
    tolerance: Tolerance = FlexPlaneTolerance()
    confidence: Annotated[float, Field(gt=0.5, lt=1, strict=True)] = 0.95
    """Probability needed before a verdict is given, unless a guard band decides."""
    target: Target = Target()
    growth: Annotated[tuple[Growth, ...], Field(max_length=40)] = ()
    """What either machine does between being measured and service."""
    shims: Shims = Shims()
