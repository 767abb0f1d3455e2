"""The rig file: which links, what they carry, what the numbers mean."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["NAME_PATTERN", "AngleSensor", "DetectorSpec", "DeviceClock", "Head", "Link", "Rig", "Spec"]

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9 _.-]*$"
"""Names stand in addresses, topics and recordings, so they are kept plain."""

# Strict: true is no number, and a number in quotes is text.
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=NAME_PATTERN)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
Bits = Annotated[int, Field(ge=8, le=64, strict=True)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Spec(BaseModel):
    """A driver or format by name; the other keys are its own options, checked by its own model."""

    model_config = ConfigDict(extra="allow", frozen=True)
    kind: str

    @property
    def options(self) -> dict[str, Any]:
        """The keys beside `kind`."""
        return dict(self.model_extra or {})


class DeviceClock(_Part):
    """A counter in the stream that tells the device's own time."""

    field: Name
    unit: Literal["s", "ms", "us"]
    wrap_bits: Bits | None = None
    """The counter starts again from 0 after 2**wrap_bits."""


class Link(_Part):
    """A wire or radio and how its bytes are read."""

    name: Name
    driver: Spec
    format: Spec
    clock: DeviceClock | None = None
    sequence: Name | None = None
    """Field that counts records, to notice lost ones."""
    sequence_bits: Bits = 32
    nominal_rate_hz: Positive | None = None
    """Records a second, for files whose records carry no clock."""


class AngleSensor(_Part):
    """The inclinometer of a head: 0 at 12 o'clock, clockwise for a viewer behind the movable machine."""

    field: Name
    unit: Literal["deg", "rad"] = "deg"
    sense: Literal["clockwise", "counterclockwise"] = "clockwise"
    """Which way the raw number grows."""
    zero_deg: Finite = 0.0
    """True angle, clockwise, when the raw number is 0."""
    zero_u_deg: NotNegative = 0.2
    noise_deg: NotNegative = 0.05
    link: Name | None = None
    """Another link than the head's own."""


class DetectorSpec(_Part):
    """A position detector: the spot of a light beam, or the plunger of an indicator."""

    name: Name = "position"
    field: Name
    unit: Literal["mm", "um", "in", "mil"]
    axis: Literal["radial", "tangential"] = "radial"
    polarity: Literal[1, -1] = 1
    """+1 if the number grows when the spot moves outward (radial) or clockwise (tangential).

    The same of an indicator's plunger: +1 if the number grows when it is pushed in.
    """
    gain: Positive = 1.0
    """Raw change per true change."""
    gain_u: NotNegative = 0.002
    noise_mm: Positive = 0.002
    """Short-term noise to be expected of one reading."""
    depth_mm: Finite = 0.0
    """From the head's mark to the detecting surface, positive toward the movable machine."""
    sag_mm: Finite = 0.0
    """Bracket sag: 12 to 6 o'clock total on a stiff bar, with its sign (contact indicators)."""
    range_mm: tuple[Finite, Finite] | None = None
    """Least and greatest true reading; at and beyond them a reading is clipped."""
    light_field: Name | None = None
    dim_below: Finite | None = None
    """Least light for a reading to count."""
    link: Name | None = None


class Head(_Part):
    """A housing on a shaft."""

    name: Name
    shaft: Literal["stationary", "movable"]
    link: Name
    angle: AngleSensor | None = None
    """Left out: the angle of the other head serves (at least one must have it)."""
    detectors: Annotated[tuple[DetectorSpec, ...], Field(max_length=20)] = ()


class Rig(_Part):
    """All sensors of a job."""

    file_schema: Literal["livealign.rig/1"] = Field(alias="schema")
    name: Name
    links: Annotated[tuple[Link, ...], Field(min_length=1, max_length=50)]
    heads: Annotated[tuple[Head, ...], Field(min_length=1, max_length=50)]
