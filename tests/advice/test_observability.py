"""A rig or a rotation that cannot tell is told why, and what to add."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.advice.observability import missing
from livealign.model.rig import Detector, RigModel
from livealign.model.sweep import Sweep

NOTHING = (False,) * 4


def light(name: str, x: float, sign: float = 1.0, phase: float = 0.0) -> Detector:
    return Detector(name, x, sign, phase, 0.0, 1e-6, 1e-4, 0, 0)


def face(name: str, radius: float, phase: float = 0.0) -> Detector:
    return Detector(name, 0.05, 1.0, phase, 0.0, 1e-6, 1e-4, 0, 0, radius_m=radius)


def model(*detectors: Detector) -> RigModel:
    size = 1 + len(detectors) + 1
    return RigModel(detectors, 1e-12 * np.eye(size), 1, np.array([0.7]), (0,))


def told(rig: RigModel, arc_deg: float = 360.0) -> tuple[bool, bool, bool, bool]:
    """Which parameters a rotation with this rig tells."""
    rng = np.random.default_rng(1)
    sweep = Sweep(rig)
    angles = np.radians(np.linspace(0.0, arc_deg, 120))
    for i, d in enumerate(rig.detectors):
        by_sin, by_cos = rig.amplitudes(i, np.array([1e-4, 2e-4, -1e-4, 3e-4]))
        seen = angles + d.phase_rad
        sweep.add(
            i, angles, by_sin * np.sin(seen) + by_cos * np.cos(seen) + rng.normal(0.0, 1e-6, angles.size)
        )
    fit = sweep.fit()
    assert fit is not None
    return fit.belief.observable


SEEING = [
    model(light("S", -0.13), light("M", 0.13, -1.0)),
    model(light("front", 0.13), light("back", 0.2)),
    model(light("rim", 0.05), face("face", 0.08)),
    model(light("rim", 0.0), face("face", 0.08, np.pi)),
]


@pytest.mark.parametrize("rig", SEEING)
def test_a_rig_that_sees_all_is_told_nothing_or_to_turn(rig: RigModel) -> None:
    assert missing(rig, told(rig), 360.0) == ()
    short = told(rig, 3.0)
    assert short == NOTHING
    assert missing(rig, short, 3.2) == ("3 deg covered: turn further, the more the better.",)


@pytest.mark.parametrize(
    ("rig", "observable", "words"),
    [
        (
            model(light("S", -0.13)),
            NOTHING,
            (
                "The slope, and the offset at the coupling, cannot be had: there is only one detector. "
                "Add one on the other shaft, or at a second depth."
            ),
        ),
        (
            model(light("S", 0.0)),
            (True, False, True, False),
            "The slope cannot be had: there is only one detector. Add one on the other shaft, or at a second depth.",
        ),
        (
            model(light("S", 0.08), light("M", 0.08, -1.0)),
            NOTHING,
            (
                "The slope, and the offset at the coupling, cannot be had: both detectors look at the same plane, "
                "80.0 mm from the coupling on the movable machine's side. "
                "Set one head at least 100.0 mm from the other, or add an indicator on a face."
            ),
        ),
        (
            model(light("out", -0.1), light("across", -0.1, 1.0, np.pi / 2), light("M", -0.1, -1.0)),
            NOTHING,
            (
                "The slope, and the offset at the coupling, cannot be had: all detectors look at the same plane, "
                "100.0 mm from the coupling on the stationary machine's side. "
                "Set one head at least 100.0 mm from the other, or add an indicator on a face."
            ),
        ),
        (
            model(face("a", 0.08), face("b", 0.1)),
            (False, True, False, True),
            (
                "The offset cannot be had: indicators on a face see the slope only. "
                "Add an indicator on a rim, or a light detector."
            ),
        ),
    ],
)
def test_a_rig_that_cannot_tell_is_told_what_to_add(
    rig: RigModel, observable: tuple[bool, bool, bool, bool], words: str
) -> None:
    assert told(rig) == observable
    assert missing(rig, observable, 360.0) == (words,)


def test_inches_for_who_works_in_inches() -> None:
    rig = model(light("S", 0.0762), light("M", 0.0762, -1.0))
    (words,) = missing(rig, NOTHING, 360.0, units="inch")
    assert "3.00 in from the coupling on the movable machine's side. Set one head at least 4.00 in" in words


def test_a_silent_detector_is_named_and_not_the_turn_blamed() -> None:
    rig = SEEING[0]
    assert missing(rig, NOTHING, 300.0, read=(True, False)) == (
        "M brought no reading that can be used: check its link and its flags, then turn again.",
    )
    one_too_many = model(*rig.detectors, light("X", 0.0))
    assert missing(one_too_many, NOTHING, 3.0, read=(True, True, False)) == (
        "3 deg covered: turn further, the more the better.",
    )


@given(
    st.lists(
        st.tuples(
            st.sampled_from([-0.2, 0.0, 0.1]), st.sampled_from([-1.0, 1.0]), st.floats(0, 6), st.booleans()
        ),
        min_size=1,
        max_size=5,
    )
)
def test_the_words_agree_with_the_fit_for_any_rig(parts: list[tuple[float, float, float, bool]]) -> None:
    rig = model(
        *(
            face(f"d{i}", 0.1, p) if on_face else light(f"d{i}", x, s, p)
            for i, (x, s, p, on_face) in enumerate(parts)
        )
    )
    observable = told(rig)
    words = missing(rig, observable, 360.0)
    assert bool(words) == (not all(observable))
    if words:
        assert ("offset" in words[0]) == (not observable[2])
        assert ("slope" in words[0].split("cannot")[0]) == (not observable[3])
