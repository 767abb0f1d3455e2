"""The rig file: which links, what they carry, what the numbers mean."""

from collections.abc import Iterator
from datetime import date
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

__all__ = [
    "AXIS_PATTERN",
    "NAME_PATTERN",
    "AngleSensor",
    "Auxiliary",
    "Calibration",
    "DetectorSpec",
    "DeviceClock",
    "Electrodes",
    "Gravity",
    "Head",
    "Linearity",
    "Link",
    "Rig",
    "Spec",
]

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9 _.-]*$"
"""Names stand in addresses, topics and recordings, so they are kept plain."""
AXIS_PATTERN = r"^-?[A-Za-z0-9][A-Za-z0-9 _.-]*$"
"""A field's name, with a minus before it if its number grows the other way."""

# Strict: true is no number, and a number in quotes is text.
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=NAME_PATTERN)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
Bits = Annotated[int, Field(ge=8, le=64, strict=True)]
Axis = Annotated[str, Field(min_length=1, max_length=61, pattern=AXIS_PATTERN)]
Text = Annotated[str, Field(max_length=200)]


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

    def __repr_args__(self) -> Iterator[tuple[str | None, Any]]:
        """Leave the options out: one may be a password."""
        yield "kind", self.kind


class DeviceClock(_Part):
    """A counter in the stream that tells the device's own time."""

    field: Name
    unit: Literal["s", "ms", "us"]
    wrap_bits: Bits | None = None
    """The counter starts again from 0 after 2**wrap_bits."""


class Electrodes(_Part):
    """A place on a lateral-effect detector, from the currents (or converter counts) of its electrodes.

    length / 2 x (plus - minus) / (plus + minus), each the sum of its fields: two fields for a detector or axis with
    a pair of its own, four for one whose axes share their electrodes.
    """

    kind: Literal["electrodes"]
    plus: Annotated[tuple[Name, ...], Field(min_length=1, max_length=2)]
    """Fields that grow when the spot moves the way the result shall grow."""
    minus: Annotated[tuple[Name, ...], Field(min_length=1, max_length=2)]
    length: Positive
    """Between the electrodes, in the unit that the detector which uses the result states."""
    dark: Finite = 0.0
    """What each electrode shows without light; taken off each."""
    full_scale: Positive | None = None
    """At or above this an electrode's converter is at its end, and the result is clipped."""
    sum: Name | None = None
    """The field that the light, plus and minus together, is to be found under."""


class Gravity(_Part):
    """A shaft angle in degrees, clockwise from 12 o'clock, from two axes of an accelerometer at rest."""

    kind: Literal["gravity"]
    outward: Axis
    """The axis that shows +1 g when it points up with the head at 12 o'clock: away from the shaft."""
    clockwise: Axis
    """The axis that points clockwise, at right angles to it."""
    offsets: tuple[Finite, Finite] = (0.0, 0.0)
    """What the two fields, as they come, show without acceleration."""
    scales: tuple[Positive, Positive] = (1.0, 1.0)
    """What they show for 1 g, in any unit."""


Computed = Annotated[Electrodes | Gravity, Field(discriminator="kind")]


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
    """Records a second, where they carry no clock: with a sequence it serves as one, and it times the records of a file."""
    computed: dict[Name, Computed] = {}
    """Fields worked out from those that come."""


class Calibration(_Part):
    """That something in the table around it was measured, when and by whom."""

    what: Literal["gain", "linearity", "noise", "sag", "sense", "zero"]
    on: date
    by: Annotated[str, Field(min_length=1, max_length=60)]
    valid_days: Annotated[int, Field(ge=1, le=3650, strict=True)] = 365
    """After this a reminder is given."""
    note: Text = ""


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
    calibrations: Annotated[tuple[Calibration, ...], Field(max_length=20)] = ()


class Linearity(_Part):
    """From the raw number to the true one, both in the detector's unit: by a table or by a polynomial."""

    table: Annotated[tuple[tuple[Finite, Finite], ...], Field(min_length=2, max_length=1000)] | None = None
    """[raw, true] at each point of a calibration, raw rising; straight lines between them."""
    polynomial: Annotated[tuple[Finite, ...], Field(min_length=2, max_length=10)] | None = None
    """c0, c1, c2, ...: true = c0 + c1 raw + c2 raw^2 + ..."""

    @field_validator("table")
    @classmethod
    def _monotone(
        cls, table: tuple[tuple[float, float], ...] | None
    ) -> tuple[tuple[float, float], ...] | None:
        rising = table is not None and table[0][1] < table[1][1]
        for i, ((raw, true), (next_raw, next_true)) in enumerate(pairwise(table or ()), 2):
            if not raw < next_raw:
                raise ValueError(
                    f"the raw numbers must rise from point to point: point {i} has {next_raw:g} after {raw:g}"
                )
            if true == next_true or (true < next_true) != rising:
                raise ValueError(
                    f"the true numbers must rise throughout, or fall throughout: point {i} has {next_true:g} after {true:g}"
                )
        return table

    @field_validator("polynomial")
    @classmethod
    def _not_constant(cls, coefficients: tuple[float, ...] | None) -> tuple[float, ...] | None:
        if coefficients is not None and not any(coefficients[1:]):
            raise ValueError("all but the first coefficient are 0, so the reading would never change")
        return coefficients

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if (self.table is None) == (self.polynomial is None):
            raise ValueError("give either table = [[raw, true], ...] or polynomial = [c0, c1, ...]")
        return self


class DetectorSpec(_Part):
    """A position detector: the spot of a light beam, or the plunger of an indicator on the other shaft's rim or face."""

    name: Name = "position"
    kind: Literal["light", "rim", "face"] = "light"
    field: Name
    unit: Literal["mm", "um", "in", "mil"]
    axis: Literal["radial", "tangential"] = "radial"
    """Of a light's detector: which way it measures."""
    mounting_deg: Finite | None = None
    """Light: angle of its axis, 0 outward, 90 clockwise, instead of `axis`. Rim and face: how far clockwise of the
    place whose angle the head tells the plunger stands."""
    polarity: Literal[1, -1] = 1
    """Light: +1 if the number grows when the spot moves along the axis (outward, clockwise, or between).

    Rim: +1 if it grows when the plunger is pushed in, away from the other shaft's axis.
    Face: +1 if it grows when the gap between the two hubs closes at the plunger, whichever shaft carries it: the
    plunger is pushed in if it touches the near side of the other hub's face, let out if it reaches behind it.
    """
    linearity: Linearity | None = None
    """Applied to the raw number, before gain and polarity."""
    gain: Positive = 1.0
    """Raw change per true change."""
    gain_u: NotNegative = 0.002
    noise_mm: Positive = 0.002
    """Short-term noise to be expected of one reading."""
    depth_mm: Finite = 0.0
    """From the head's mark to the detecting surface, positive toward the movable machine."""
    radius_mm: Annotated[Positive | None, Field(validate_default=True)] = None
    """Face, and needed there: from the carrying shaft's axis to the plunger. Rim: of the rim; left out: the coupling's."""
    radius_u_mm: NotNegative = 0.5
    sag_mm: Finite = 0.0
    """Rim and face: what the indicator, zeroed at 12 o'clock, shows at 6 o'clock on a stiff bar, with its sign."""
    sag_u_mm: NotNegative = 0.005
    range_mm: tuple[Finite, Finite] | None = None
    """Least and greatest true reading; at and beyond them a reading is clipped."""
    light_field: Name | None = None
    dim_below: Finite | None = None
    """Least light for a reading to count."""
    link: Name | None = None
    calibrations: Annotated[tuple[Calibration, ...], Field(max_length=20)] = ()

    @property
    def phase_deg(self) -> float:
        """Mounting angle, clockwise from outward."""
        if self.mounting_deg is not None:
            return self.mounting_deg
        return 90.0 if self.axis == "tangential" else 0.0

    @field_validator("radius_mm")
    @classmethod
    def _face_has_a_radius(cls, radius: float | None, info: ValidationInfo) -> float | None:
        kind = info.data.get("kind")
        if kind == "face" and radius is None:
            raise ValueError(
                "is missing; a face indicator takes its distance from the shaft's axis, a number above 0"
            )
        if kind == "light" and radius is not None:
            raise ValueError('is for kind = "rim" or "face" only; leave it out')
        return radius


class Auxiliary(_Part):
    """A number that is not measured with but tells how a head fares: its temperature, its battery, its light."""

    name: Name
    field: Name
    unit: Annotated[str, Field(max_length=12)] = ""
    scale: Finite = 1.0
    """The raw number times this, plus `offset`, is shown."""
    offset: Finite = 0.0
    low: Finite | None = None
    """Below this, as shown, a warning is given."""
    high: Finite | None = None
    link: Name | None = None
    """Another link than the head's own."""


class Head(_Part):
    """A housing on a shaft."""

    name: Name
    shaft: Literal["stationary", "movable"]
    link: Name
    angle: AngleSensor | None = None
    """Left out: the angle of the other head serves (at least one must have it)."""
    detectors: Annotated[tuple[DetectorSpec, ...], Field(max_length=20)] = ()
    auxiliary: Annotated[tuple[Auxiliary, ...], Field(max_length=20)] = ()


class Rig(_Part):
    """All sensors of a job."""

    file_schema: Literal["livealign.rig/1"] = Field(alias="schema")
    name: Name
    links: Annotated[tuple[Link, ...], Field(min_length=1, max_length=50)]
    heads: Annotated[tuple[Head, ...], Field(min_length=1, max_length=50)]
