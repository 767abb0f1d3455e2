"""How much materials grow with warmth."""

from typing import Final, Literal, TypeAlias

__all__ = ["EXPANSION_PER_K", "EXPANSION_U", "Material"]

Material: TypeAlias = Literal[
    "steel-or-cast-iron", "grey-iron", "carbon-steel", "stainless-304", "stainless-316", "aluminium"
]
"""What a machine's frame may be made of between its feet and its shaft."""

EXPANSION_PER_K: Final[dict[Material, float]] = {
    "steel-or-cast-iron": 11.3e-6,
    "grey-iron": 10.8e-6,
    "carbon-steel": 11.7e-6,
    "stainless-304": 17.3e-6,
    "stainless-316": 16.0e-6,
    "aluminium": 23.0e-6,
}
"""Linear expansion for one kelvin.

The first is that of machine frames in R. B. McMillan, Rotating Machinery (2004), p. 134. The others are handbook values as
secondary sources quote them; carbon steel and aluminium stand in the middle of 10.9 to 12.4 and of 21 to 24.7.
"""

EXPANSION_U: Final = 0.05
"""Relative standard uncertainty of an expansion: handbooks differ by a tenth."""
