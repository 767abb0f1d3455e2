"""What is wrong from the beginning, as a scenario file says it."""

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from livealign.config.job import Job
from livealign.config.rig import Head, Rig
from livealign_simulators.disturbances import (
    AngleFaults,
    CablePull,
    Disturbances,
    HeadFaults,
    LinkFaults,
    Mistakes,
    Runout,
    SlowNoise,
)
from livealign_simulators.frame import Foot, Frame, Pipe, Side, level_frame
from livealign_simulators.machine import FootPlane, Settling
from livealign_simulators.optics import Optics
from livealign_simulators.radio import RadioFaults
from livealign_simulators.thermal import STEEL_PER_K, Warming
from livealign_simulators.trace import Shaft
from livealign_simulators.truth import draw_truth
from livealign_simulators.vibration import Vibration

__all__ = ["Faults", "disturbances", "true_rig"]

Name = Annotated[str, Field(min_length=1, max_length=60)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=True)]
Millimetres = Annotated[float, Field(ge=-20, le=20, allow_inf_nan=False, strict=True)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FootFault(_Part):
    """What is wrong with one foot of the movable machine, or with both of a plane."""

    foot: Name
    side: Side | None = None
    """Seen from behind the movable machine; right is 3 o'clock. Left out: both."""
    short_mm: Millimetres = 0.0
    """So much is missing under it (a soft foot)."""
    angle_gap_mm: Millimetres = 0.0
    """Open at its outer edge (negative: inner) when it just touches."""
    room_mm: tuple[Finite, Finite] = (-3.0, 3.0)
    """How far toward 9 and 3 o'clock the bolt hole lets it go."""


class PipeFault(_Part):
    """A pipe that pulls."""

    at_mm: Finite
    """From the coupling."""
    stiffness_n_per_mm: Positive
    free_y_mm: Millimetres = 0.0
    """Where the flange would hang by itself, toward 3 o'clock."""
    free_z_mm: Millimetres = 0.0


class WarmingFault(_Part):
    """Legs that grow or shrink from the start on."""

    foot: Name | None = None
    """Foot plane of the movable machine; left out, `at_mm` of the stationary one is meant."""
    at_mm: Finite | None = None
    by_k: Annotated[float, Field(ge=-200, le=200, allow_inf_nan=False, strict=True)]
    height_mm: Positive = 250.0
    time_constant_s: Positive = 600.0


class VibrationFault(_Part):
    """A machine that runs next door."""

    hz: Positive
    y_mm: Millimetres = 0.0
    z_mm: Millimetres = 0.0


class RunoutFault(_Part):
    """A shaft whose surface is off its axis."""

    shaft: Shaft
    mm: NotNegative
    at_deg: Finite = 0.0


class Cable(_Part):
    """A cable that is too short in part of the turn."""

    from_deg: Finite
    to_deg: Finite
    outward_mm: Millimetres = 0.0
    clockwise_mm: Millimetres = 0.0


class HeadFault(_Part):
    """How a head stands on its shaft."""

    head: Name
    turned_deg: Finite = 0.0
    outward_mm: Millimetres = 0.0
    clockwise_mm: Millimetres = 0.0
    loose_mm: NotNegative = 0.0
    loose_friction: Share = 0.2
    cable: Cable | None = None


class OpticsFault(_Part):
    """The light on a head's detectors."""

    head: Name
    spot_mm: NotNegative = 0.0
    half_width_mm: Positive | None = None
    cubic: Finite = 0.0
    background: NotNegative = 0.0
    brightness: NotNegative = 1.0


class InclinometerFault(_Part):
    """What an inclinometer shows beside the angle."""

    head: Name
    radius_mm: NotNegative = 0.0
    delay_s: NotNegative = 0.0
    offsets_g: tuple[Finite, Finite] = (0.0, 0.0)
    scales: tuple[Positive, Positive] = (1.0, 1.0)


class LinkFault(_Part):
    """A device's clock, and the way its records take."""

    link: Name
    rate_ppm: Finite | None = None
    delay_s: NotNegative = 0.0
    jitter_s: NotNegative = 0.0
    loss: Share = 0.0
    run: Annotated[float, Field(ge=1, allow_inf_nan=False, strict=True)] = 1.0
    duplicates: Share = 0.0
    overtaking: bool = False


class UntoldSag(_Part):
    """A bar that bends although the rig file does not say so."""

    head: Name
    detector: Name
    mm: Millimetres
    """What the indicator, zeroed at 12 o'clock, shows at 6 o'clock on a stiff bar."""


class SettlingFault(_Part):
    """How the machine comes to rest."""

    time_s: Positive = 0.6
    creep: Share = 0.0
    """Share of a move that comes slowly."""
    creep_s: Positive = 120.0


class NoiseFault(_Part):
    """Noise that does not average out."""

    drift_mm: NotNegative = 0.0
    memory_s: Positive = 1.0
    flicker_mm: NotNegative = 0.0


class Faults(_Part):
    """All that is wrong; as given, nothing is."""

    backlash_deg: NotNegative = 0.0
    """The coupling's play."""
    swapped_heads: bool = False
    """Each of two heads sits on the other's shaft."""
    wrong_sense: tuple[Name, ...] = ()
    """Heads whose angle grows the other way than the rig file says."""
    settling: SettlingFault = SettlingFault()
    slow_noise: NoiseFault = NoiseFault()
    feet: tuple[FootFault, ...] = ()
    bolts: Literal["as built", "modelled"] = "as built"
    """modelled: feet, bolts and friction decide where the machine goes, also without a fault of a foot."""
    pipes: tuple[PipeFault, ...] = ()
    warmings: tuple[WarmingFault, ...] = ()
    vibrations: tuple[VibrationFault, ...] = ()
    runouts: tuple[RunoutFault, ...] = ()
    heads: tuple[HeadFault, ...] = ()
    optics: tuple[OpticsFault, ...] = ()
    inclinometers: tuple[InclinometerFault, ...] = ()
    links: tuple[LinkFault, ...] = ()
    untold_sag: tuple[UntoldSag, ...] = ()

    def hastened(self, speed: float) -> "Faults":
        """Return the same with what comes slowly coming faster."""
        warmings = tuple(
            w.model_copy(update={"time_constant_s": w.time_constant_s / speed}) for w in self.warmings
        )
        settling = self.settling.model_copy(update={"creep_s": self.settling.creep_s / speed})
        return self.model_copy(update={"warmings": warmings, "settling": settling})


def true_rig(rig: Rig, faults: Faults) -> Rig:
    """Return the rig as it truly is, where the rig file is wrong about it."""
    untold = {(u.head, u.detector): u.mm for u in faults.untold_sag}

    def head(h: Head) -> Head:
        detectors = tuple(
            d.model_copy(update={"sag_mm": untold.get((h.name, d.name), d.sag_mm)}) for d in h.detectors
        )
        return h.model_copy(update={"detectors": detectors})

    return rig.model_copy(update={"heads": tuple(head(h) for h in rig.heads)})


def disturbances(faults: Faults, job: Job, rig: Rig, seed: int) -> Disturbances:
    """Return what is wrong, in the simulator's terms.

    Raises:
        PersonError: if the faults do not go with the job and the rig.
    """
    mistakes = Mistakes(faults.swapped_heads, frozenset(faults.wrong_sense))
    planes = draw_truth(job, rig, np.random.SeedSequence(seed).spawn(1)[0], mistakes).feet
    return Disturbances(
        frame=_frame(faults, planes),
        settling=Settling(**faults.settling.model_dump()),
        warmings=tuple(_warming(w, planes) for w in faults.warmings),
        vibrations=tuple(Vibration(v.hz, v.y_mm, v.z_mm) for v in faults.vibrations),
        backlash_deg=faults.backlash_deg,
        runouts=tuple(Runout(**r.model_dump()) for r in faults.runouts),
        mistakes=mistakes,
        heads={h.head: _head(h) for h in faults.heads},
        angles={a.head: AngleFaults(**a.model_dump(exclude={"head"})) for a in faults.inclinometers},
        optics={o.head: Optics(**o.model_dump(exclude={"head"})) for o in faults.optics},
        slow_noise=SlowNoise(**faults.slow_noise.model_dump()),
        links={x.link: _link(x) for x in faults.links},
    )


def _head(fault: HeadFault) -> HeadFaults:
    cable = None if fault.cable is None else CablePull(**fault.cable.model_dump())
    return HeadFaults(**fault.model_dump(exclude={"head", "cable"}), cable=cable)


def _link(fault: LinkFault) -> LinkFaults:
    names = {f.name for f in fields(RadioFaults)}
    return LinkFaults(fault.rate_ppm, RadioFaults(**fault.model_dump(include=names)))


def _warming(fault: WarmingFault, planes: Sequence[FootPlane]) -> Warming:
    common: dict[str, Any] = {"time_constant_s": fault.time_constant_s, "per_k": STEEL_PER_K}
    at = next((p.x_mm for p in planes if p.name == fault.foot), None)
    if at is None:
        return Warming(
            fault.at_mm or -300.0, fault.height_mm, 0.0, fault.by_k, **common, machine="stationary"
        )
    return Warming(at, fault.height_mm, 0.0, fault.by_k, **common)


def _frame(faults: Faults, planes: Sequence[FootPlane]) -> Frame | None:
    if not (faults.feet or faults.pipes or faults.bolts == "modelled"):
        return None
    even = level_frame([(p.name, p.x_mm) for p in planes])

    def foot(f: Foot) -> Foot:
        for fault in faults.feet:
            if fault.foot == f.plane and fault.side in {None, f.side}:
                f = replace(
                    f,
                    floor_mm=-fault.short_mm,
                    angle_gap_mm=fault.angle_gap_mm,
                    room_mm=fault.room_mm,
                )
        return f

    pipes = tuple(Pipe(p.at_mm, p.stiffness_n_per_mm, p.free_y_mm, p.free_z_mm) for p in faults.pipes)
    return replace(even, feet=tuple(foot(f) for f in even.feet), pipes=pipes)
