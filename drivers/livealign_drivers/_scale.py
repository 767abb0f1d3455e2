"""Factors that turn numbers as sent into numbers as used."""

from collections.abc import Iterable, Mapping
from typing import Annotated

from pydantic import Field

__all__ = ["Factor", "check_scale"]

Factor = Annotated[float, Field(allow_inf_nan=False)]


def check_scale(scale: Mapping[str, float], fields: Iterable[str]) -> None:
    """Check factors by field.

    Raises:
        ValueError: if one is 0 or its field is none of these.
    """
    if strange := sorted(set(scale) - set(fields)):
        raise ValueError(f"`scale` names {', '.join(strange)}, which is no field here")
    if zero := sorted(name for name, factor in scale.items() if factor == 0):
        raise ValueError(f"`scale` of {', '.join(zero)} cannot be 0")
