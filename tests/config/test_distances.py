"""Tape measurements become positions with an honest covariance."""

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from livealign.config.distances import _chi2_99, detector_planes, positions
from livealign.config.job import Job
from livealign.config.load import parse_job, parse_rig
from livealign.errors import PersonError


def _job(spans: list[tuple[str, str, float, float]], feet: list[str], units: str = "mm") -> Job:
    values: dict[str, Any] = {
        "schema": "livealign.job/1",
        "name": "test",
        "units": units,
        "machines": {"stationary": "pump", "movable": "motor", "shaft_speed_rpm": 1475},
        "coupling": {"diameter": 160, "flex_planes_apart": 100},
        "feet": [{"name": f} for f in feet],
        "distances": [{"from": a, "to": b, "length": length, "u": u} for a, b, length, u in spans],
    }
    return Job.model_validate(values)


def test_a_chain_adds_up_and_so_do_its_variances(job_text: str) -> None:
    found = positions(parse_job(job_text, "j"), ["head S", "head M"])
    assert found.names == ("head S", "head M", "near feet", "far feet")
    assert found.x_m == pytest.approx([-0.130, 0.130, 0.330, 0.750])
    # By hand, in mm2: both heads share the first measurement, both feet share theirs.
    by_hand = np.array([[0.49, 0.49, 0, 0], [0.49, 0.98, 0, 0], [0, 0, 1, 1], [0, 0, 1, 2]])
    assert found.cov_m2 * 1e6 == pytest.approx(by_hand, abs=1e-12)
    assert (found.x("coupling"), found.u("coupling")) == (0.0, 0.0)
    assert found.u("far feet") == pytest.approx(2**0.5 * 1e-3)
    assert (found.redundant, found.suspects) == (0, ())
    with pytest.raises(KeyError):
        found.x("middle feet")


def test_inches_become_metres() -> None:
    found = positions(_job([("coupling", "far feet", 30, 0.04)], ["far feet"], "inch"))
    assert found.x("far feet") == pytest.approx(0.762)
    assert found.u("far feet") == pytest.approx(0.04 * 0.0254)


def test_a_measurement_said_to_be_exact_counts_as_a_hundredth() -> None:
    found = positions(_job([("coupling", "f", 300, 0), ("coupling", "f", 301, 1)], ["f"]))
    assert found.x("f") == pytest.approx(0.3001, abs=1e-4)
    assert found.u("f") == pytest.approx(1e-5, rel=1e-3)


def test_two_measurements_of_one_distance_are_averaged_by_their_weights() -> None:
    found = positions(_job([("coupling", "f", 300, 1), ("coupling", "f", 301, 2)], ["f"]))
    assert found.x("f") == pytest.approx(0.3002)  # (300 / 1 + 301 / 4) / (1 + 1 / 4)
    assert found.u("f") == pytest.approx(0.8**0.5 * 1e-3)
    assert found.chi2 == pytest.approx(1 / 5)  # 1 mm apart, variance 1 + 4
    assert found.redundant == 1
    assert found.suspects == ()


def test_the_measurement_that_contradicts_the_others_is_named() -> None:
    spans = [
        ("coupling", "a", 300.0, 1.0),
        ("a", "b", 400.0, 1.0),
        ("coupling", "b", 720.0, 1.0),  # 20 mm too long
        ("b", "c", 100.0, 1.0),
        ("a", "c", 500.0, 1.0),
        ("coupling", "c", 800.0, 1.0),
    ]
    found = positions(_job(spans, ["a", "b", "c"]))
    assert found.redundant == 3
    assert found.suspects == (2,)


def test_in_a_single_loop_nobody_can_tell_which_one_is_wrong() -> None:
    spans = [("coupling", "a", 300.0, 1.0), ("a", "b", 400.0, 1.0), ("coupling", "b", 720.0, 1.0)]
    alone = ("b", "c", 50.0, 1.0)  # ties a point, so it contradicts nothing
    assert positions(_job([*spans, alone], ["a", "b", "c"])).suspects == (0, 1, 2)


def test_what_is_not_tied_to_the_coupling_is_named() -> None:
    job = _job([("coupling", "near", 300, 1), ("far", "end", 300, 1)], ["near", "far"])
    with pytest.raises(PersonError, match='from "coupling" to "end", "far", "head S"'):
        positions(job, ["head S"])


@given(st.data())
def test_consistent_measurements_give_the_points_back(data: st.DataObject) -> None:
    xs = data.draw(st.lists(st.integers(-3000, 9000).filter(bool), min_size=1, max_size=6, unique=True))
    names = [f"p{i}" for i in range(len(xs))]
    place = {"coupling": 0, **dict(zip(names, xs, strict=True))}
    us = st.sampled_from([0, 0.5, 1, 7])
    # A tree that ties every point, then whatever else is measured, all in any order.
    pairs = [(data.draw(st.sampled_from(["coupling", *names[:i]])), name) for i, name in enumerate(names)]
    pairs += data.draw(st.lists(st.sampled_from(list(itertools.combinations(place, 2))), max_size=5))
    pairs = data.draw(st.permutations(pairs))
    spans = [(a, b, place[b] - place[a], data.draw(us)) for a, b in pairs]
    found = positions(_job(spans, names))
    assert found.x_m == pytest.approx(np.array(xs) * 1e-3, abs=1e-9)
    assert found.suspects == ()
    assert found.redundant == len(pairs) - len(names)
    assert np.array_equal(found.cov_m2, found.cov_m2.T)
    # The normal equations, written out, give the same covariance.
    rows = np.array([[(n == b) - (n == a) for n in names] for a, b, _, _ in spans], float)
    weights = np.array([1 / max(u, 0.01) ** 2 for *_, u in spans])
    assert found.cov_m2 * 1e6 == pytest.approx(np.linalg.inv(rows.T * weights @ rows), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 10, 50])
def test_the_limit_of_disagreement_is_the_99_percent_point(freedom: int) -> None:
    assert _chi2_99(freedom) == pytest.approx(chi2.ppf(0.99, freedom), rel=0.01)


def test_a_detector_looks_at_its_heads_mark_plus_its_depth(job_text: str, rig_text: str) -> None:
    second = '\n[[heads.detectors]]\nname = "back"\nfield = "light"\nunit = "um"\ndepth_mm = 40\n'
    rig = parse_rig(rig_text + second, "r")
    planes = detector_planes(rig, positions(parse_job(job_text, "j"), ["head S", "head M"]))
    assert [(p.head, p.detector) for p in planes] == [
        ("head S", "position"),
        ("head M", "position"),
        ("head M", "back"),
    ]
    assert [p.x_m for p in planes] == pytest.approx([-0.130, 0.130, 0.170])
