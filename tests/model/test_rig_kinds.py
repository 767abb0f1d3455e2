"""Every kind of rig is one linear problem: its rows against traced rigs, the trade's rules, and its stated uncertainty."""

import numpy as np
import pytest
from scipy.stats import binom

from livealign.model.linear import solve
from livealign.model.rig import POSE, Detector, RigModel
from livealign.model.sweep import Sweep
from livealign.model.tracker import Tracker
from livealign.session.setup import build
from livealign_simulators.contact import Plunger, touch_face, touch_rim
from livealign_simulators.geometry import STATIONARY, AxisLine
from livealign_simulators.sensing import sample_sweep, true_position_mm
from livealign_simulators.trace import Shaft
from livealign_simulators.truth import Truth, draw_truth
from model.rigs import KINDS, load

TURN = np.radians(np.arange(0.0, 360.0, 5.0))
STATIONS = np.radians([0.0, 90.0, 270.0, 180.0])
"""Top, east, west, bottom, east being at 3 o'clock."""
SETUPS = {kind: build(*load(kind)) for kind in KINDS}


def random_line(rng: np.random.Generator) -> AxisLine:
    """Somewhere within 0.5 mm and 0.7 mrad."""
    y, z = rng.uniform(-0.5, 0.5, 2)
    return AxisLine(y, rng.uniform(-0.7e-3, 0.7e-3), z, rng.uniform(-0.7e-3, 0.7e-3))


def pose_of(line: AxisLine) -> np.ndarray:
    return np.array([line.y_mm * 1e-3, line.y_slope, line.z_mm * 1e-3, line.z_slope])


def modelled_mm(model: RigModel, index: int, pose: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """The model's reading, constant left out."""
    d = model.detectors[index]
    sin, cos = np.sin(angles + d.phase_rad), np.cos(angles + d.phase_rad)
    return 1e3 * (model.rows(index, sin, cos)[:, -POSE:] @ pose + d.sag_m * cos)


def exactly(kind: str, seed: int) -> Truth:
    """One rig of a kind with nothing hidden but lean, aim and place."""
    job, rig = load(kind)
    sure = {"gain_u": 0.0, "radius_u_mm": 0.0, "sag_u_mm": 0.0}
    heads = tuple(
        h.model_copy(update={"detectors": tuple(d.model_copy(update=sure) for d in h.detectors)})
        for h in rig.heads
    )
    distances = tuple(d.model_copy(update={"u": 0.0}) for d in job.distances)
    return draw_truth(
        job.model_copy(update={"distances": distances}),
        rig.model_copy(update={"heads": heads}),
        np.random.SeedSequence(seed),
    )


@pytest.mark.parametrize("kind", KINDS)
def test_the_rows_are_what_is_traced_in_space(kind: str) -> None:
    """Within 0.5 mm and 0.7 mrad, found over 3000 poses: light 0.19 um, face 0.31 um, rim 2.0 um, of which the rim's
    roundness, a^2 / (2 r) for the offset a across the plunger, is all but 0.22 um.
    """
    model = SETUPS[kind].model
    rng = np.random.default_rng(1)
    for seed in range(30):
        line = random_line(rng)
        for index, seen in enumerate(exactly(kind, seed).detectors):
            traced = true_position_mm(seen, line, TURN)
            linear = modelled_mm(model, index, pose_of(line), TURN)
            if seen.spec.kind == "rim":
                assert isinstance(seen.sight, Plunger)
                assert np.ptp(traced - linear) / 2 < 2.5e-3
                across = modelled_mm(model, index, pose_of(line), TURN + np.pi / 2)
                linear = linear - across**2 / (2 * seen.sight.radius_mm)
            assert np.ptp(traced - linear) / 2 < 0.5e-3


def test_part_of_a_turn_on_a_round_rim_is_read_right() -> None:
    setup, truth = SETUPS["reverse rim"], exactly("reverse rim", 3)
    line = AxisLine(0.5, 0.6e-3, -0.4, 0.7e-3)
    angles = np.radians(np.linspace(20.0, 140.0, 121))
    sweep = Sweep(setup.model)
    rows, values = [], []
    for index, seen in enumerate(truth.detectors):
        value = 1e-3 * true_position_mm(seen, line, angles)
        sweep.add(index, angles, value)
        d = setup.model.detectors[index]
        rows.append(setup.model.rows(index, np.sin(angles), np.cos(angles)))
        values.append(value - d.sag_m * np.cos(angles))
    plain = solve(np.concatenate(rows), np.concatenate(values), np.ones(2 * angles.size)).x[-POSE:]
    fit = sweep.fit()
    assert fit is not None
    error = np.abs(fit.belief.pose - pose_of(line))
    assert np.all(error < [1e-6, 8e-6, 1e-6, 8e-6])
    assert np.abs(plain - pose_of(line)).max() > 20e-6  # what it would be without


def test_a_machine_is_followed_by_indicators_on_round_rims() -> None:
    """Parked between top and side, where what lies across a plunger changes with the height."""
    setup, truth = SETUPS["reverse rim"], exactly("reverse rim", 6)
    rng = np.random.default_rng(2)

    def read(index: int, line: AxisLine, angles: np.ndarray) -> np.ndarray:
        seen = 1e-3 * true_position_mm(truth.detectors[index], line, angles)
        return seen + rng.normal(0.0, 1e-6, angles.size)

    before, after = AxisLine(0.5, 0.6e-3, -0.6, 0.7e-3), AxisLine(0.5, 0.6e-3, 0.05, 0.1e-3)
    sweep = Sweep(setup.model)
    for index in range(2):
        angles = np.radians(np.linspace(0.0, 330.0, 300))
        sweep.add(index, angles, read(index, before, angles))
    fit = sweep.fit()
    assert fit is not None
    tracker = Tracker(setup.model, fit.belief, fit.noise_m, fit.excess_m, vertical=True)
    for step in range(200):
        time_s = step / 20 + np.arange(5) / 100
        angles = np.full(5, np.radians(35.0))
        for index in range(2):
            tracker.add(index, time_s, angles, read(index, before if step < 60 else after, angles))
    found = tracker.estimate()
    assert found.motion == "settled"
    assert np.all(np.abs(found.belief.pose - pose_of(after)) < [2e-6, 15e-6, 2e-6, 15e-6])


@pytest.mark.parametrize("arc_deg", [0.0, 1.0, 6.0, 15.0])
def test_a_turn_that_has_hardly_begun_does_not_run_away_on_a_round_rim(arc_deg: float) -> None:
    setup, truth = SETUPS["reverse rim"], exactly("reverse rim", 5)
    line, rng = AxisLine(0.4, 0.6e-3, -0.3, 0.7e-3), np.random.default_rng(4)
    sweep = Sweep(setup.model)
    for start, stop in ((0.0, arc_deg), (arc_deg, 300.0)):
        angles = np.radians(np.linspace(start, stop, 100))
        for index, seen in enumerate(truth.detectors):
            value = 1e-3 * true_position_mm(seen, line, angles) + rng.normal(0.0, 2e-6, angles.size)
            sweep.add(index, angles + rng.normal(0.0, 2e-3, angles.size), value)
        fit = sweep.fit()
        assert fit is not None
        assert np.all(np.isfinite(fit.belief.mean))
    assert np.all(np.abs(fit.belief.pose - pose_of(line)) < 4 * np.sqrt(np.diag(fit.belief.pose_cov)))


def rim(x_m: float = 0.0, sign: float = 1.0, **more: float) -> RigModel:
    detector = Detector("rim", x_m, sign, 0.0, 0.0, 1e-6, 0.0, 0, 0, **more)
    return RigModel((detector,), np.zeros((3, 3)), 1, np.array([1.0]), (0,))


@pytest.mark.parametrize(
    ("shown", "rezeroed", "up", "east"),
    [
        ((0.0, 30.0, -10.0, 20.0), (-30.0, 0.0, -40.0, -10.0), -10.0, 20.0),
        ((0.0, -50.0, 10.0, -40.0), (50.0, 0.0, 60.0, 10.0), 20.0, -30.0),
    ],
)
def test_a_published_set_of_rim_readings(
    shown: tuple[float, ...], rezeroed: tuple[float, ...], up: float, east: float
) -> None:
    """J. Piotrowski, Shaft Alignment Handbook, ch. 8, as quoted by a secondary source: top, east, west, bottom, in mils.

    Where it is zeroed changes nothing, rim readings are halved, and top and bottom together show what the sides do.
    """
    rows = rim().rows(0, np.sin(STATIONS), np.cos(STATIONS))
    for readings in (np.array(shown), np.array(rezeroed)):
        found = solve(rows, readings, np.ones(4))
        assert found.x[[1, 3]] == pytest.approx([east, up])
        assert (found.observable[1], found.observable[3]) == (True, True)
        assert rows @ found.x == pytest.approx(readings)
        assert readings[0] + readings[3] == readings[1] + readings[2]
    assert np.array(shown) - shown[1] == pytest.approx(rezeroed)


def test_a_set_that_breaks_the_rule_cannot_be_fitted() -> None:
    rows = rim().rows(0, np.sin(STATIONS), np.cos(STATIONS))
    readings = np.array([0.0, 30.0, -10.0, 28.0])  # bottom misread by 8
    left = readings - rows @ solve(rows, readings, np.ones(4)).x
    assert left == pytest.approx([2.0, -2.0, -2.0, 2.0])


def test_a_published_centreline_gives_its_total_readings() -> None:
    """R. B. McMillan, Rotating Machinery (2004), Fig. 9-10: +5 mil at one plane and +2 at the other give +10 and -4."""
    for x, sign, height, total in ((0.0, 1.0, 5.0, 10.0), (0.2, -1.0, 2.0, -4.0)):
        pose = np.array([0.0, 0.0, height, 0.0])
        top, _, _, bottom = rim(x, sign).rows(0, np.sin(STATIONS), np.cos(STATIONS))[:, -POSE:] @ pose
        assert top - bottom == pytest.approx(total)


@pytest.mark.parametrize("carried_by", ["stationary", "movable"])
def test_rim_readings_are_halved_and_face_readings_are_not(carried_by: Shaft) -> None:
    line = AxisLine(z_mm=0.2, z_slope=0.5e-3)
    sign = 1.0 if carried_by == "stationary" else -1.0
    top, *_, bottom = touch_rim(line, STATIONS, Plunger(30.0, 80.0), carried_by)
    assert top - bottom == pytest.approx(sign * 2 * (0.2 + 0.5e-3 * 30.0), abs=2e-5)
    # The axis rises away from the coupling: the gap is closed at the top, by its slope times the diameter.
    top, *_, bottom = touch_face(line, STATIONS, Plunger(30.0, 80.0), carried_by)
    assert top - bottom == pytest.approx(0.5e-3 * 160.0, abs=2e-5)
    modelled = rim(0.03, 1.0, radius_m=0.08).rows(0, np.sin(STATIONS), np.cos(STATIONS))[:, -POSE:] @ pose_of(
        line
    )
    assert 1e3 * (modelled[0] - modelled[3]) == pytest.approx(top - bottom, abs=2e-5)


def test_sag_enters_once_at_the_sides_and_twice_at_the_bottom_and_moves_the_vertical_only() -> None:
    sagging = touch_rim(STATIONARY, STATIONS, Plunger(0.0, 80.0, droop_mm=0.05), "stationary")
    on_a_worksheet = sagging - sagging[0]
    assert on_a_worksheet == pytest.approx([0.0, -0.05, -0.05, -0.10], abs=5e-5)
    job, rig = load("reverse rim")
    spec = rig.heads[0].detectors[0].model_copy(update={"sag_mm": on_a_worksheet[3]})
    for entered in (spec, spec.model_copy(update={"polarity": -1, "sag_mm": 0.10})):
        head = rig.heads[0].model_copy(update={"detectors": (entered,)})
        one = rig.model_copy(update={"heads": (head, rig.heads[1])})
        detector = build(job, one).model.detectors[0]
        assert detector.sag_m == pytest.approx(0.05e-3)
    rows = rim().rows(0, np.sin(STATIONS), np.cos(STATIONS))
    misled = solve(rows, sagging, np.ones(4)).x
    assert misled[1] == pytest.approx(0.0, abs=1e-9)
    assert misled[3] == pytest.approx(0.05, abs=1e-4)


def test_an_axis_between_reads_a_share_of_each() -> None:
    job, rig = load("two axes")
    out, across = rig.heads[0].detectors
    between = across.model_copy(update={"axis": "radial", "mounting_deg": 30.0})
    head = rig.heads[0].model_copy(update={"detectors": (out, across, between)})
    model = build(job, rig.model_copy(update={"heads": (head, *rig.heads[1:])})).model
    pose = np.array([0.3e-3, 0.2e-3, -0.1e-3, 0.4e-3])
    a, b, c = (modelled_mm(model, i, pose, TURN) for i in range(3))
    assert c == pytest.approx(np.cos(np.radians(30)) * a + np.sin(np.radians(30)) * b)


def test_what_is_uncertain_about_an_indicator_reaches_the_result() -> None:
    job, rig = load("rim and face")
    model = build(job, rig).model
    rim_at, face_at = model.detectors
    assert (rim_at.rim_m, rim_at.radius_m) == (pytest.approx(0.08), None)  # the coupling's
    assert (face_at.rim_m, face_at.radius_m) == (None, pytest.approx(0.075))
    assert face_at.phase_rad == pytest.approx(np.pi)
    u = np.sqrt(np.diag(model.beta_cov))
    assert u[model.sensors :][:2] == pytest.approx([0.002, np.hypot(0.002, 0.3 / 75.0)])
    assert u[-3:] == pytest.approx([2.5e-6, 2.5e-6, 0.2])  # two sags, one rim
    assert [rim_at.sag_beta, face_at.sag_beta, rim_at.rim_beta] == [u.size - 3, u.size - 2, u.size - 1]
    assert model.beta_mean.tolist() == [0.0] * (u.size - 1) + [1.0]


def errors_in_u(kind: str, seed: int) -> np.ndarray:
    """Trace one rig and fit it; return (fit - truth) / u for Y0, Y', Z0, Z', then each foot sideways and up."""
    job, rig = load(kind)
    setup = SETUPS[kind]
    rng = np.random.default_rng([7, seed])
    line = random_line(rng)
    angles = rng.uniform(0.0, 360.0) + np.linspace(0.0, rng.uniform(90.0, 360.0), 100)
    traced = sample_sweep(job, rig, seed=seed, pose=line, angles_deg=angles)
    sensors = [h.name for h in rig.heads if h.angle is not None]
    sweep = Sweep(setup.model)
    for index, (value, wiring) in enumerate(
        zip(traced.readings_mm.values(), setup.wiring.positions, strict=True)
    ):
        sweep.add(index, np.radians(traced.angles_deg[sensors[wiring.sensor]]), value * 1e-3)
    fit = sweep.fit()
    assert fit is not None
    belief = fit.belief
    assert belief.known
    pose, x = pose_of(line), np.array([f.x_mm for f in traced.truth.feet]) * 1e-3
    assumed = setup.model.feet_x_m
    feet = np.concatenate([belief.pose[i] + belief.pose[i + 1] * assumed for i in (0, 2)])
    true_feet = np.concatenate([pose[i] + pose[i + 1] * x for i in (0, 2)])
    return np.concatenate(
        [
            (belief.pose - pose) / np.sqrt(np.diag(belief.pose_cov)),
            (feet - true_feet) / np.sqrt(np.diag(belief.feet_cov(setup.model))),
        ]
    )


RIGS = 60
KINDS_TRACED = [k for k in KINDS if k != "facing light heads"]  # those are in test_honest_uncertainty.py


def test_the_truth_lies_inside_the_stated_interval_as_often_as_stated_for_every_kind() -> None:
    inside = {}
    for number, kind in enumerate(KINDS_TRACED):
        z = np.array([errors_in_u(kind, 1000 * number + seed) for seed in range(RIGS)])
        inside[kind] = np.abs(z) < 1.96
        # One figure of one kind: below this by chance once in 10^5.
        assert np.all(inside[kind].sum(axis=0) >= binom.ppf(1e-5, RIGS, 0.95)), (
            kind,
            inside[kind].mean(axis=0),
        )
    together = np.concatenate(list(inside.values()))
    low, high = binom.ppf([1e-4, 1 - 1e-4], len(together), 0.95)
    hits = together.sum(axis=0)
    assert np.all((low <= hits) & (hits <= high)), hits / len(together)
