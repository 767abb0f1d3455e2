"""The tightest tolerance that can be proven: against the Rayleigh distribution, and against what a sweep then says."""

import numpy as np
import pytest

from livealign.advice.provable import foreseen, provable
from livealign.advice.verdict import judge, offset_angle
from livealign.model.sweep import Sweep
from livealign.session.setup import Setup, build
from model.rigs import load

READINGS = 200


def perfect(kind: str) -> tuple[Setup, float]:
    job, rig = load(kind)
    return build(job, rig), job.confidence


def test_a_full_turn_of_facing_heads_is_the_rayleigh_distribution() -> None:
    # N readings of noise sd give each plane's amplitude sd sqrt(2/N) at each head, so the offset midway sd/sqrt(N); the
    # length of a centred Gaussian of two dimensions is below sd sqrt(-2 ln 0.05) in 95 of 100 cases.
    setup, confidence = perfect("facing light heads")
    found = provable(
        setup.model,
        setup.criterion,
        target=np.zeros(4),
        target_cov=np.zeros((4, 4)),
        confidence=confidence,
        arc=2.0 * np.pi,
        readings=READINGS,
    )
    noise = setup.model.detectors[0].noise_m
    reach = np.sqrt(-2.0 * np.log(0.05))
    assert found.offset_m == pytest.approx(reach * noise / np.sqrt(READINGS), rel=0.02)
    assert found.slope == pytest.approx(reach * noise * 2.0 / np.sqrt(READINGS) / 0.26, rel=0.02)
    assert (found.largest_offset, found.largest_slope) == ("readings", "readings")


@pytest.mark.parametrize("kind", ["facing light heads", "reverse rim", "rim and face"])
def test_the_limit_is_where_the_verdict_turns(kind: str) -> None:
    setup, confidence = perfect(kind)
    arc = float(np.radians(120.0))
    found = provable(
        setup.model,
        setup.criterion,
        target=setup.target,
        target_cov=setup.target_cov,
        confidence=confidence,
        arc=arc,
        readings=READINGS,
    )
    assert found.offset_m is not None
    belief = foreseen(setup.model, setup.target, arc, READINGS)
    assert belief is not None
    states = [
        judge(
            offset_angle(share * found.offset_m, 1.0, "test", "mm"),
            belief.loosened(setup.target_cov),
            setup.target,
            confidence,
        ).state
        for share in (0.9, 1.1)
    ]
    assert states == ["undecided", "conforming"]
    if kind != "facing light heads":
        # Turning on shrinks the readings' part, never the bracket's.
        wide = foreseen(setup.model, setup.target, 2.0 * np.pi, 100 * READINGS)
        assert wide is not None
        sag = setup.model.detectors[0].sag_beta
        assert sag is not None
        assert wide.pose_cov[2, 2] > 0.2 * setup.model.beta_cov[sag, sag]


def test_what_is_foreseen_is_what_a_sweep_then_says() -> None:
    setup, _ = perfect("facing light heads")
    rng = np.random.default_rng(1)
    arc, n = np.radians(90.0), 1800
    angle = (np.arange(n) + 0.5) / n * arc - arc / 2.0
    sweep = Sweep(setup.model)
    for i, d in enumerate(setup.model.detectors):
        sweep.add(i, angle, rng.normal(0.0, d.noise_m, n))
    fit = sweep.fit()
    belief = foreseen(setup.model, np.zeros(4), float(arc), n)
    assert fit is not None
    assert belief is not None
    assert np.sqrt(np.diag(fit.belief.pose_cov)) == pytest.approx(np.sqrt(np.diag(belief.pose_cov)), rel=0.25)
