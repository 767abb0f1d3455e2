"""The job file: which machines, how far apart, what is allowed."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "Coupling",
    "Distance",
    "FlexPlaneTolerance",
    "FootPlane",
    "Job",
    "Machines",
    "OffsetAngleTolerance",
    "Target",
    "Tolerance",
]

Name = Annotated[str, Field(min_length=1, max_length=60)]
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


class FlexPlaneTolerance(_Part):
    """Offset at each flex plane over their distance (API RP 686, 2nd ed. 2009, cl. 5.4.6.2: 0.5 mm/m)."""

    rule: Literal["flex-plane"] = "flex-plane"
    limit_mm_per_m: Positive = 0.5
    """The same number in mil per inch."""


class OffsetAngleTolerance(_Part):
    """Limits of the person's own for offset at the coupling centre and slope, both planes combined."""

    rule: Literal["offset-angle"]
    offset: Positive
    angle_mm_per_m: Positive
    source: str = ""
    """Where the limits come from, for the record."""


Tolerance = Annotated[FlexPlaneTolerance | OffsetAngleTolerance, Field(discriminator="rule")]


class Target(_Part):
    """The pose wanted when the readings are taken, to allow for growth; offsets at the coupling centre."""

    vertical_offset: Finite = 0.0
    vertical_slope_mm_per_m: Finite = 0.0
    horizontal_offset: Finite = 0.0
    horizontal_slope_mm_per_m: Finite = 0.0


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
    """Probability needed before a verdict is given."""
    target: Target = Target()
