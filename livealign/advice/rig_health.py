"""What the residuals of a rotation say, in words: size, likely cause, what to do."""

import math
from typing import Literal

from livealign.model.diagnostics import Diagnosis, DiagnosisName
from livealign.model.sweep import GrossError
from livealign.snapshot import Diagnosis as Told
from livealign.snapshot import GrossReading

__all__ = ["gross_readings", "told"]

_UNITS: dict[str, tuple[float, Literal["mm", "deg", "deg/s", "ms", ""]]] = {
    "m": (1e3, "mm"),
    "rad": (180.0 / math.pi, "deg"),
    "rad/s": (180.0 / math.pi, "deg/s"),
    "s": (1e3, "ms"),
    "": (1.0, ""),
}

_WORDS: dict[DiagnosisName, tuple[str, str]] = {
    "second harmonic": (
        "something goes twice around in a turn: an oval rim, a bracket that gives, a detector that leans",
        "tighten the bracket; on a rim, clean it and check its runout",
    ),
    "hysteresis": (
        "readings depend on which way the shafts turn: backlash, or a loose bracket",
        "tighten the brackets; read while turning one way only",
    ),
    "heads at different angles": (
        "the two shafts do not keep the same angle: backlash in the coupling, a head that slips, or a link that is late",
        "turn both shafts together, slowly, one way, without letting the coupling change sides; tighten the heads",
    ),
    "angles run against each other": (
        "one angle grows while the other falls, though the shafts are coupled: the rig file has one head's sense wrong",
        "turn clockwise, see whose number falls, and turn round `sense` at that head's angle in the rig file",
    ),
    "lag": (
        "position and angle are not taken at the same instant",
        "corrected here; send both in one record, with the device's own clock",
    ),
    "fast turning": (
        "an inclinometer that feels gravity also feels the turning itself",
        "turn more slowly, and evenly",
    ),
    "drift": (
        "readings wander during the turn: warming up, a creeping bracket, a moving base",
        "let the heads warm up, tighten the brackets, then turn again",
    ),
    "turns disagree": (
        "the same angle does not give the same reading again: something was knocked, slips, or is loose",
        "check heads and brackets, then turn again",
    ),
    "uneven detectors": (
        "one detector is much noisier than the other",
        "look at its light, its cable and its bracket",
    ),
    "more than noise": (
        "no detector fits as well as the rig file promises: something shakes, moves or is loose, or noise_mm too small",
        "look what runs nearby, whether the machine still warms up or settles, and try every bracket by hand",
    ),
    "many left out": (
        "more than a twentieth of the readings do not fit the rest: something was knocked or slipped, or the beam was cut",
        "look when they were left out, check the head, and turn again",
    ),
    "short arc": (
        "only a small part of the turn was read",
        "turn further: uncertainty falls steeply with the arc",
    ),
    "out of range ahead": (
        "the spot will leave the detector, or the plunger its travel, if the turn goes on",
        "centre the detector again before turning there, and begin anew",
    ),
}


def told(found: tuple[Diagnosis, ...], names: list[str]) -> tuple[Told, ...]:
    """Return findings as people see them; `names` are the detectors'."""
    result = []
    for d in found:
        factor, unit = _UNITS[d.unit]
        cause, remedy = _WORDS[d.name]
        where = ", ".join(names[i] for i in d.where) or "whole rig"
        result.append(Told(d.name, float(f"{d.size * factor:.3g}"), unit, where, cause, remedy))
    return tuple(result)


def gross_readings(found: tuple[GrossError, ...], names: list[str]) -> tuple[GrossReading, ...]:
    """Return the readings left out, by name."""
    return tuple(
        GrossReading(
            round(g.time_s, 3),
            names[g.detector],
            round(math.degrees(g.angle_rad) % 360.0, 1),
            round(1e3 * g.size_m, 4),
        )
        for g in found
    )
