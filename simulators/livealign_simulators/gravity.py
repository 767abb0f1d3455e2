"""What an accelerometer on a turning shaft shows, in units of g: gravity, and what turning adds."""

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["G_MM_PER_S2", "shown_angle", "specific_force"]

G_MM_PER_S2 = 9806.65


def specific_force(
    angle_rad: Floats, rate_rad_per_s: Floats, change_rad_per_s2: Floats, radius_mm: float
) -> tuple[Floats, Floats]:
    """Return the outward and the clockwise axis: the upward reaction to gravity plus the sensor's own acceleration.

    On a circle of radius r that is r w^2 inward and r dw/dt along, clockwise as the angle grows.

    Args:
        angle_rad: of the sensor, clockwise from 12 o'clock.
        rate_rad_per_s: w.
        change_rad_per_s2: dw/dt.
        radius_mm: of the sensor's place from the shaft's axis.
    """
    out = np.cos(angle_rad) - radius_mm * rate_rad_per_s**2 / G_MM_PER_S2
    along = -np.sin(angle_rad) + radius_mm * change_rad_per_s2 / G_MM_PER_S2
    return out, along


def shown_angle(outward: Floats, clockwise: Floats, near_rad: Floats) -> Floats:
    """Return the angle that gravity alone would explain, on the turn nearest to a given angle."""
    angle = np.arctan2(-clockwise, outward)
    turns: Floats = 2 * np.pi * np.round((near_rad - angle) / (2 * np.pi))
    return angle + turns
