"""What a light-spot detector makes of a spot: its edges, its bend, and light that does not belong to it."""

import math
from dataclasses import dataclass

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["Optics", "Seen", "electrode_shares", "inside"]

_DARK = 1e-4
"""Of the spot's light: what is left when no light is, so that nothing is divided by nothing."""
_LARGEST_NOISE_FACTOR = 50.0

_erf = np.vectorize(math.erf, otypes=[float])


@dataclass(frozen=True, slots=True)
class Seen:
    """A spot as the detector reports it."""

    place_mm: Floats
    light: Floats
    """Relative to a bright spot that lies wholly on the detector."""
    noise_factor: Floats
    """The same electronic noise over less light is more of place."""


@dataclass(frozen=True, slots=True)
class Optics:
    """The light and the detector; as given they are ideal."""

    spot_mm: float = 0.0
    """Standard deviation of the spot's brightness, half its 1/e^2 radius."""
    half_width_mm: float | None = None
    """From the detector's middle to its edge; None: the spot never meets the edge."""
    cubic: float = 0.0
    """How much too far, as a share, a spot at the edge is seen (at 10 mm if there is no edge); grows as the cube."""
    background: float = 0.0
    """Even light from elsewhere, relative to the spot's."""
    brightness: float = 1.0
    """Of the spot; 0: the beam is interrupted."""

    def seen(self, place_mm: Floats) -> Seen:
        """Return what becomes of a spot whose middle is at each place, from the detector's middle."""
        share, centre = np.ones(place_mm.shape), place_mm
        if self.half_width_mm is not None:
            share, centre = inside(place_mm, self.spot_mm, self.half_width_mm)
        reach = self.half_width_mm or 10.0
        if self.cubic:
            centre = centre * (1.0 + self.cubic * (centre / reach) ** 2)
        spot = self.brightness * share
        rest = self.background + (0.0 if self.brightness else _DARK)
        light = spot + rest
        safe = np.maximum(light, _DARK)
        pulled = centre if not self.background and self.brightness else centre * (spot / safe)
        return Seen(pulled, light, np.minimum(1.0 / safe, _LARGEST_NOISE_FACTOR))


def inside(place_mm: Floats, spot_mm: float, half_width_mm: float) -> tuple[Floats, Floats]:
    """Return the share of a Gaussian spot that falls between the edges, and the middle of that share.

    Mean of a normal distribution cut off on both sides: m + s (f(a) - f(b)) / (F(b) - F(a)).
    """
    if not spot_mm:
        lit = np.abs(place_mm) <= half_width_mm
        return lit.astype(float), np.clip(place_mm, -half_width_mm, half_width_mm)
    low, high = (-half_width_mm - place_mm) / spot_mm, (half_width_mm - place_mm) / spot_mm
    share = 0.5 * (_erf(high / math.sqrt(2)) - _erf(low / math.sqrt(2)))
    bell = (np.exp(-0.5 * low**2) - np.exp(-0.5 * high**2)) / math.sqrt(2 * math.pi)
    centre = place_mm + spot_mm * bell / np.maximum(share, 1e-12)
    return share, np.clip(centre, -half_width_mm, half_width_mm)


def electrode_shares(place: Floats, length: float) -> tuple[Floats, Floats]:
    """Return the shares of the current that the plus and the minus electrode take.

    A current that enters a uniform resistive layer divides in inverse proportion to the distances to its ends.
    """
    plus = np.clip(0.5 + place / length, 0.0, 1.0)
    return plus, 1.0 - plus
