"""The kinds of soft foot, told apart by what shaft and feeler gauge say."""

from dataclasses import replace

import pytest

from livealign.advice.soft_foot import judged
from livealign.snapshot import Side, SoftFootKind, SoftFootState

SIDES: tuple[Side, Side] = ("left", "right")
FEET = tuple(SoftFootState(plane, side) for plane in ("near", "far") for side in SIDES)
NONE = (0.0, 0.0, 0.0, 0.0)


def feet(*rises: float | None, **gaps: tuple[float, ...]) -> tuple[SoftFootState, ...]:
    """Rises of near left, near right, far left, far right in mm; gaps by the initials."""
    made = [replace(f, rise_mm=r, rise_u_mm=0.005) for f, r in zip(FEET, rises, strict=True)]
    for name, corners in gaps.items():
        i = ("nl", "nr", "fl", "fr").index(name)
        made[i] = replace(made[i], gaps_mm=corners)
    return tuple(made)


NONE_KNOWN: tuple[SoftFootKind, ...] = ("not known",) * 4
ALL_SOUND: tuple[SoftFootKind, ...] = ("none",) * 4
CASES: list[tuple[str, tuple[SoftFootState, ...], tuple[SoftFootKind, ...], str]] = [
    ("nobody has looked", feet(None, None, None, None), NONE_KNOWN, ""),
    ("all sound", feet(0.008, 0.008, 0.05, -0.01), ALL_SOUND, "in order"),
    ("a diagonal", feet(0.19, 0.01, 0.01, 0.15), ("soft", "none", "none", "soft"), "add 0.19 mm; measure"),
    (
        "a short foot, gauged",
        feet(0.19, 0.01, 0.01, 0.15, nl=(0.18, 0.18, 0.19, 0.19)),
        ("parallel", "none", "none", "soft"),
        "add 0.18 mm",
    ),
    (
        "a foot that is not flat",
        feet(0.16, 0.01, 0.01, 0.01, nl=(0.0, 0.02, 0.28, 0.30)),
        ("angular", "none", "none", "none"),
        "step shims from 0.00 mm to 0.30 mm (outer far)",
    ),
    ("dirt", feet(0.12, 0.01, 0.01, 0.12, nl=NONE), ("springy", "none", "none", "soft"), "no gap, yet it rises"),
    ("a pipe lifts the far end", feet(0.09, 0.09, 0.01, 0.01), ("induced", "induced", "none", "none"), "piping"),
    ("it goes down", feet(-0.2, 0.01, 0.01, 0.01), ("induced", "none", "none", "none"), "pushed or pulled"),
    # 0.06 +- 0.01 below is no certain drop beyond the limit
    ("hardly down", feet(-0.055, 0.01, 0.01, 0.01), ALL_SOUND, "in order"),
    ("only gauged", feet(None, None, None, None, nl=(0.1,) * 4), ("parallel", *NONE_KNOWN[1:]), "add 0.10 mm"),
]  # fmt: skip


@pytest.mark.parametrize(("found", "kinds", "said"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_kinds(found: tuple[SoftFootState, ...], kinds: tuple[SoftFootKind, ...], said: str) -> None:
    told = judged(found, "mm")
    assert tuple(f.kind for f in told) == kinds
    assert said in told[0].words


def test_of_a_diagonal_the_larger_is_shimmed_first_and_rounds_are_compared() -> None:
    again = [replace(f, before_mm=0.2) for f in feet(0.19, 0.01, 0.01, 0.15)]
    told = judged(again, "inch")
    assert told[0].words == "add 7.5 mil; measure its corners with a feeler gauge to be sure (was 7.9 mil)"
    assert told[3].words == "shim near, left first, across the diagonal, then look here again (was 7.9 mil)"
    assert told[0].shim_mm == 0.19
