"""Calibrations that are too old, or claimed and not recorded; today's date is an input."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from livealign.config.rig import Calibration, Rig
from livealign.config.rig_doubts import Doubt

__all__ = ["calibration_doubts"]

_USUAL_GAIN_U = 0.002
"""What is taken for a gain's uncertainty where nothing is stated; less than that wants a calibration."""
_COMMANDS = {
    "gain": "detector",
    "linearity": "detector",
    "noise": "noise",
    "sag": "sag",
    "sense": "angle",
    "zero": "angle",
}


def calibration_doubts(rig: Rig, today: date) -> Iterator[Doubt]:
    """Yield what is doubtful in a rig's calibrations.

    Of each thing measured the latest entry counts. A detector that was never calibrated is mentioned only where others of
    the rig were, or where it is said to be known better than is usual.

    Args:
        rig: the rig.
        today: the date.
    """
    some = any(_has(d.calibrations, "gain") for h in rig.heads for d in h.detectors)
    for i, head in enumerate(rig.heads, 1):
        if head.angle is not None:
            who = f'the angle of "{head.name}"'
            yield from _old(f"heads[{i}].angle", who, head.angle.calibrations, today)
        for k, d in enumerate(head.detectors, 1):
            key, who = f"heads[{i}].detectors[{k}]", f'"{d.name}" of "{head.name}"'
            yield from _old(key, who, d.calibrations, today)
            if _has(d.calibrations, "gain"):
                continue
            if 0.0 < d.gain_u < _USUAL_GAIN_U:
                what = f"the gain of {who} is said to be known to {100 * d.gain_u:.2g} %, but no calibration is recorded"
                yield Doubt("rig", f"{key}.gain_u", what, "Calibrate it: livealign calibrate detector.")
            elif some:
                what = f"{who} was never calibrated, though others were"
                yield Doubt("rig", key, what, "Calibrate it too: livealign calibrate detector.")


def _has(log: Sequence[Calibration], what: str) -> bool:
    return any(entry.what == what for entry in log)


def _old(key: str, who: str, log: Sequence[Calibration], today: date) -> Iterator[Doubt]:
    latest: dict[str, tuple[date, int]] = {}
    for n, entry in enumerate(log):
        latest[entry.what] = max(latest.get(entry.what, (entry.on, n)), (entry.on, n))
    for what, (on, n) in latest.items():
        at = f"{key}.calibrations[{n + 1}]"
        if on > today + timedelta(days=1):  # a day ahead is a matter of time zones
            told = f"the {what} of {who} is said to have been measured on {on}, which is yet to come"
            yield Doubt("rig", at, told, "Check the date, and this computer's.")
        elif (today - on).days > log[n].valid_days:
            told = f"the {what} of {who} was measured {(today - on).days} days ago, to be trusted for {log[n].valid_days}"
            yield Doubt("rig", at, told, f"Measure it again: livealign calibrate {_COMMANDS[what]}.")
