"""What a calibration found, in words."""

import math

from livealign.model.bracket_sag import BracketSag
from livealign.model.detector_calibration import SIGNIFICANT, DetectorCalibration
from livealign.model.rest import RestNoise
from livealign.model.reversal import AngleCalibration

__all__ = ["angle_words", "detector_words", "noise_words", "sag_words", "two_digits_up"]

_LEAST_GAIN = 0.5
_LEVEL_ODD_DEG = 2.0
_SIDEWAYS_SURE = 3.0
_QUIET = 2.0
"""Averaging that gains less than this factor is not worth naming."""


def two_digits_up(value: float) -> float:
    """Return an uncertainty (>= 0) with two significant digits, rounded up."""
    if value <= 0.0:
        return 0.0
    digits = 1 - math.floor(math.log10(value))
    return float(f"{math.ceil(round(value * 10.0**digits, 6)) / 10.0**digits:.2g}")


def detector_words(found: DetectorCalibration, unit: str) -> list[str]:
    """Return what was found of a detector, a sentence or two each.

    Args:
        found: in the unit given.
        unit: for words, such as "mm" or "um".
    """
    share = 100.0 * two_digits_up(found.gain_u)
    lines = [
        (
            f"{found.visits} readings at {found.positions} positions from {_number(found.least)} to"
            f" {_number(found.greatest)} {unit}."
        ),
        (
            f"The number {'grows' if found.polarity > 0 else 'falls'} by {found.straight_gain:.5g} for every 1 of true"
            f" change: {_of_the_gain(found)} (standard uncertainty {share:.2g} %, most of it"
            f" {'the readings' if found.readings_share > 0.5 else 'the gauge'})."
        ),
        _straight_words(found, unit),
    ]
    if not _LEAST_GAIN <= found.straight_gain <= 1.0 / _LEAST_GAIN:
        lines.append("That is far from 1: were the displacements given in another unit than the detector's?")
    if found.shape != "straight":
        lines.append(_shape_words(found, unit))
    if found.hysteresis is not None and found.hysteresis_u is not None:
        lines.append(_direction_words(found.hysteresis, found.hysteresis_u, unit))
    if found.scatter is not None:
        lines.append(
            f"Visits to the same position scatter by {_small(found.scatter)} {unit} (standard deviation)."
        )
    return lines


def _of_the_gain(found: DetectorCalibration) -> str:
    sign = "" if found.polarity > 0 else ", polarity -1"
    return f"gain {found.straight_gain:.6g}{sign}"


def _straight_words(found: DetectorCalibration, unit: str) -> str:
    size = (
        f"{_small(found.straight_worst)} {unit} at most, {100.0 * found.straight_worst / found.span:.2g} % of"
        " the range"
    )
    if found.straight_chance is None:
        return (
            f"From a straight line it deviates by {size}; whether that is more than chance cannot be told, since too few"
            " positions were read twice. Go up and down to tell."
        )
    often = f"{100.0 * found.straight_chance:.2g} %" if found.straight_chance > 1e-4 else "less than 0.01 %"
    chance = f"chance would make so much in {often} of cases"
    if found.unexplained:
        return (
            f"It is not straight: it deviates by {size} ({chance}). Too few positions, or out of order, to say what it is"
            " instead: it is treated as straight. Use 8 steps or more."
        )
    if found.shape == "straight":
        if found.straight_chance < SIGNIFICANT:
            return f"It is straight but for {size}, too little to matter."
        return f"It is straight: it deviates by {size}, no more than chance makes ({chance})."
    return f"It is not straight: it deviates by {size} ({chance})."


def _shape_words(found: DetectorCalibration, unit: str) -> str:
    if found.polynomial is not None:
        rest = f"what is left of it is {_small(found.worst)} {unit}"
        return (
            f"A polynomial of degree {len(found.polynomial) - 1} straightens it; {rest}. It holds for the range that was"
            " read; state range_mm if the detector sees farther."
        )
    count = len(found.table or ())
    return f"A table of {count} points straightens it. Readings outside the table are left out, so read the whole range."


def _direction_words(size: float, u: float, unit: str) -> str:
    if abs(size) <= 2.0 * u:
        return f"From which side a position is reached makes no difference beyond {_small(2.0 * u)} {unit}."
    return (
        f"Reached from below it reads {_small(abs(size))} {unit} {'more' if size > 0 else 'less'} than from above"
        f" (u {_small(u)}): play or friction, of the detector or of the gauge; it is not in the gain's uncertainty. Approach"
        " every position from the same side to find out which."
    )


def angle_words(found: AngleCalibration) -> list[str]:
    """Return what was found of an inclinometer."""
    lines = [
        f"The number grows {found.sense}.",
        (
            f"The true angle is {found.zero_deg:.2f} deg when the number is 0 (standard uncertainty"
            f" {two_digits_up(found.zero_u_deg):.2g} deg, from {_plural(found.pairs, 'pair')} of readings)."
        ),
        f"The level or flat itself was off by {abs(found.level_deg):.2f} deg; that has dropped out.",
    ]
    if found.spread_deg is not None:
        lines.append(
            f"The zero differs by {found.spread_deg:.2g} deg from pair to pair (standard deviation)."
        )
    if abs(found.level_deg) > _LEVEL_ODD_DEG:
        lines.append(
            "That is a lot for a level: make sure that the head was set upright both times, and turned end for end between."
        )
    return lines


def sag_words(found: BracketSag) -> list[str]:
    """Return what was found of a bracket; in mm."""
    lines = [
        (
            f"Zeroed at 12 o'clock it shows {found.sag:+.4f} mm at 6 (standard uncertainty {two_digits_up(found.u):.2g} mm,"
            f" from {found.readings} readings that scatter by {_small(found.scatter)} mm)."
        )
    ]
    if found.sideways is not None and found.sideways_u is not None:
        odd = abs(found.sideways) > max(_SIDEWAYS_SURE * found.sideways_u, 0.2 * abs(found.sag), 0.005)
        lines.append(
            f"From 9 to 3 o'clock it changes by {found.sideways:+.4f} mm (u {_small(found.sideways_u)})"
            + (
                ", which gravity does not do: the clock positions or the angle zero are off, something is loose, or"
                " the bracket leans."
                if odd
                else "."
            )
        )
    return lines


def noise_words(found: RestNoise, unit: str) -> list[str]:
    """Return what a channel did at rest.

    Args:
        found: in the unit given.
        unit: for words, "mm" or "deg".
    """
    lines = [
        (
            f"One reading scatters by {_small(found.noise)} {unit} ({found.readings} readings,"
            f" {1.0 / found.spacing_s:.3g} a second)."
        )
    ]
    if found.curve[0][1] == 0.0:
        return [
            f"It repeats itself to the digit ({found.readings} readings): stuck, or too coarse to show its noise."
        ]
    if found.step / math.sqrt(12.0) >= found.noise:
        lines.append(
            f"That is its last digit ({_small(found.step)} {unit}); it may be quieter than it can show."
        )
    gained = found.noise / found.floor if found.floor > 0.0 else math.inf
    if gained < _QUIET:
        lines.append("Averaging hardly helps: its readings wander together.")
    elif found.falling:
        lines.append(
            f"Averaging {_time(found.floor_s)} leaves {_small(found.floor)} {unit}; longer may help further; this"
            " record is too short to tell."
        )
    else:
        lines.append(
            f"Averaging helps up to {_time(found.floor_s)}, which leaves {_small(found.floor)} {unit}; longer makes"
            " nothing better."
        )
    if found.drifts:
        per_minute = 60.0 * found.drift_per_s
        lines.append(
            f"It drifts by {_signed(per_minute)} {unit} a minute: let it warm up, and check that nothing creeps."
        )
    return lines


def _time(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds < 100 else f"{seconds / 60:.2g} min"


def _small(value: float) -> str:
    """Two significant digits, written out."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    return f"{value:.{min(max(0, 1 - math.floor(math.log10(abs(value)))), 9)}f}"


def _signed(value: float) -> str:
    return f"{'+' if value > 0.0 else ''}{_small(value)}"


def _number(value: float) -> str:
    return f"{value:.6g}"


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"
