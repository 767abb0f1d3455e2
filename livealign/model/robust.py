"""Robust weights and scale (Huber 1981; Beaton & Tukey 1974's biweight)."""

import numpy as np

from livealign.model.rig import FloatArray

__all__ = ["CUT", "biweight", "correlation_time", "huber", "scale", "variance_factor"]

_HUBER = 1.345
CUT = 6.0
"""Wide: 98 % efficient on Gaussian noise, and still no weight at all beyond 6 standard deviations."""
_MAD_TO_SD = 1.4826022185056018
_LAGS = 32
_MOST_DECAY = 0.9


def scale(residuals: FloatArray) -> float:
    """Return the standard deviation that the median absolute residual stands for (Gaussian)."""
    return _MAD_TO_SD * float(np.median(np.abs(residuals)))


def huber(z: FloatArray) -> FloatArray:
    """Return Huber's weights of standardised residuals."""
    size = np.abs(z)
    return np.where(size <= _HUBER, 1.0, _HUBER / np.maximum(size, _HUBER))


def biweight(z: FloatArray) -> FloatArray:
    """Return Tukey's biweight of standardised residuals."""
    inside = np.square(z / CUT)
    return np.square(1.0 - np.minimum(inside, 1.0))


def variance_factor(z: FloatArray, parameters: float) -> float:
    """Return f so that sum-of-weights W gives a mean's variance f sd^2 / W, for the biweight (Huber 1981, ch. 7)."""
    inside = np.minimum(np.square(z / CUT), 1.0)
    weight = np.square(1.0 - inside)
    mean_psi_prime = float(np.mean((1.0 - inside) * (1.0 - 5.0 * inside)))
    mean_psi_squared = float(np.mean(np.square(z * weight)))
    freedom = max(z.size - parameters, 1.0) / z.size
    factor = mean_psi_squared / max(mean_psi_prime, 0.1) ** 2 * float(np.mean(weight)) / freedom
    return max(factor, 0.5)  # a few residuals may agree by chance, or a sensor repeat itself


def correlation_time(z: FloatArray, least: int = 4 * _LAGS) -> float:
    """Return how many consecutive residuals count as one (1 for white noise): 1 + 2 sum of leading autocorrelations.

    Args:
        z: (n,) residuals in order of time.
        least: fewer than so many say nothing: 1.
    """
    n = z.size
    power = float(z @ z)
    if n < least or power == 0.0:
        return 1.0
    total, first, last = 1.0, 0.0, 0.0
    for lag in range(1, _LAGS + 1):
        rho = float(z[:-lag] @ z[lag:]) / power
        if rho < 2.0 / n**0.5:
            break
        first = rho if lag == 1 else first
        last = rho
        total += 2.0 * rho
    # What is too small to be seen lag by lag goes on falling as the first lag did.
    decay = min(first, _MOST_DECAY)
    return total + 2.0 * last * decay / (1.0 - decay)
