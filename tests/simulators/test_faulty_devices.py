"""What a rig that is not in order sends: through the rig's own format and its computed fields, back to numbers."""

import itertools
import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from livealign.config.load import load_rig
from livealign.config.rig import Electrodes, Gravity, Rig
from livealign.errors import PersonError
from livealign.stream.computed import angle_of_gravity, place_between_electrodes
from livealign.stream.registry import format_class
from livealign_simulators.actions import perform, read_action
from livealign_simulators.bench import Bench
from livealign_simulators.devices import Device
from livealign_simulators.disturbances import (
    AngleFaults,
    Disturbances,
    HeadFaults,
    LinkFaults,
    Mistakes,
    SlowNoise,
)
from livealign_simulators.optics import Optics
from livealign_simulators.radio import Radio, RadioFaults
from livealign_simulators.scene import build_scene
from simulators.conftest import EXAMPLES

G = 9806.65


def device(job, rig, number=0, angle_deg=90.0, **wrong) -> Device:
    scene = build_scene(job, rig, 1, angle_deg, Disturbances(**wrong))
    return Device(scene, rig.links[number], 100.0, np.random.SeedSequence(7))


def decoded(rig: Rig, data: bytes, number=0) -> dict[str, np.ndarray]:
    spec = rig.links[number].format
    made = format_class(spec.kind)
    got = made(made.options_model.model_validate(spec.options)).decode(data)
    assert got.bad == 0
    return got.columns


def test_the_same_seed_sends_the_same_bytes_however_the_time_is_cut(job, rig):
    wrong = {
        "backlash_deg": 1.0,
        "slow_noise": SlowNoise(0.01, 2.0, 0.005),
        "heads": {"head S": HeadFaults(loose_mm=0.1)},
        "links": {"S": LinkFaults(radio=RadioFaults(0.01, 0.02, 0.1, 3.0, 0.05, overtaking=True))},
    }
    streams = []
    for cuts in (
        np.arange(0.5, 9, 0.5),
        np.arange(0.5, 9, 0.037),
        np.array([0.9, 1.7, 2.5, 3.4, 4.3, 5, 6, 7, 8, 8.9]),
    ):
        s = device(job, rig, **wrong)
        s._scene.mechanic.turn(300, 40, 0.2)
        streams.append(b"".join(s.produce(t) for t in [*cuts, 9.0, 9.9]))
    assert streams[0] == streams[1] == streams[2]
    assert s.radio.lost > 20


def test_counts_of_electrodes_and_gravity_are_turned_back_into_place_and_angle(job, rig):
    raw = load_rig(EXAMPLES / "rig-raw-counts.toml")
    s = device(job, raw, angle_deg=0.0)
    s._scene.mechanic.turn(270, 90, 0.5)
    columns = decoded(raw, s.produce(0.9) + s.produce(1.8) + s.produce(2.7) + s.produce(3.6) + s.produce(4.5))
    spot, tilt = (raw.links[0].computed[n] for n in ("spot", "tilt"))
    assert isinstance(spot, Electrodes)
    assert isinstance(tilt, Gravity)
    place = place_between_electrodes(
        "x", spot.plus, spot.minus, spot.length, dark=spot.dark, full_scale=spot.full_scale, light="sum"
    )(columns)
    angle = angle_of_gravity("a", tilt.outward, tilt.clockwise, tilt.offsets, tilt.scales)(columns)["a"] % 360
    assert place["sum"].min() > 300
    straight = device(job, rig, angle_deg=0.0)
    straight._scene.mechanic.turn(270, 90, 0.5)
    same = decoded(rig, b"".join(straight.produce(t) for t in (0.9, 1.8, 2.7, 3.6, 4.5)))
    # One seed, one machine, but other zeros: swings and angles agree within counts and noise.
    assert np.ptp(place["x"]) == pytest.approx(np.ptp(same["spot"]) / 1000, abs=0.03)
    assert angle[-20:].mean() == pytest.approx(270, abs=1)
    assert np.all((columns["mv"] > 3400) & (columns["mv"] < 4000))


def test_four_electrodes_that_two_axes_share_give_both_places(job, rig):
    link = rig.links[0]
    fields = ["count", "ms", "angle", "a", "b", "c", "d"]
    wiring = {
        "x": Electrodes(kind="electrodes", plus=("a", "b"), minus=("c", "d"), length=10.0),
        "y": Electrodes(kind="electrodes", plus=("b", "c"), minus=("d", "a"), length=10.0),
    }
    form = type(link.format).model_validate({**link.format.model_dump(), "columns": fields})
    link = link.model_copy(update={"computed": wiring, "format": form})
    head, first = (
        rig.heads[0],
        rig.heads[0].detectors[0].model_copy(update={"unit": "mm", "light_field": None}),
    )
    two = (
        first.model_copy(update={"field": "x"}),
        first.model_copy(update={"name": "aside", "field": "y", "axis": "tangential"}),
    )
    head = head.model_copy(update={"detectors": two})
    shared = rig.model_copy(update={"links": (link, rig.links[1]), "heads": (head, rig.heads[1])})
    s = device(job, shared)
    columns = decoded(shared, s.produce(0.9))
    told = {}
    for name, w in wiring.items():
        told |= place_between_electrodes(name, w.plus, w.minus, 10.0, dark=0, full_scale=None, light=None)(
            columns
        )
    # At 3 o'clock the outward axis shows y and the clockwise axis -z of the movable axis, each beside its own constant.
    moved = device(job, shared)
    moved._scene.mechanic.machine.move("near feet", "vertical", 0.4, -60.0)
    moved._scene.mechanic.machine.move("far feet", "vertical", 0.4, -60.0)
    after = decoded(shared, moved.produce(0.9))
    for name, w in wiring.items():
        fresh = place_between_electrodes(name, w.plus, w.minus, 10.0, dark=0, full_scale=None, light=None)(
            after
        )
        change = fresh[name].mean() - told[name].mean()
        assert change == pytest.approx(-0.4 if name == "y" else 0.0, abs=0.01)


def test_fast_turning_shows_in_the_angle_of_an_accelerometer(job, rig):
    def angles(**wrong):
        s = device(job, rig, angle_deg=0.0, **wrong)
        s._scene.mechanic.turn(360, 90, 0.0)
        return decoded(rig, b"".join(s.produce(t) for t in np.arange(0.5, 3.5, 0.5)))["angle"]

    felt = angles(angles={"head S": AngleFaults(radius_mm=80.0)})
    plain = angles()
    turning = slice(60, 280)
    error = ((felt - plain + 180) % 360 - 180)[turning]
    # r w^2 / g sin t, 80 mm at 90 deg/s: 20 mrad.
    expected = np.rad2deg(80 * np.radians(90) ** 2 / G) * np.sin(np.radians(plain[turning]))
    assert_allclose(error, expected, atol=0.05)
    late = angles(angles={"head S": AngleFaults(delay_s=0.1)})
    assert_allclose(((plain - late + 180) % 360 - 180)[turning], 9.0, atol=0.02)


def test_swapped_heads_and_a_wrong_sense_are_found_in_the_readings(job, rig):
    def swing(number, **wrong):
        s = device(job, rig, number, angle_deg=0.0, **wrong)
        s._scene.mechanic.turn(90, 90, 0.0)
        columns = decoded(rig, s.produce(0.9) + s.produce(1.8), number)
        angle = np.unwrap(columns["angle"], period=360)
        return angle[-1] - angle[0], columns["spot"][-1] - columns["spot"][0]

    (turned, s), (_, m) = swing(0), swing(1)
    assert turned == pytest.approx(90, abs=1)
    backwards, _ = swing(0, mistakes=Mistakes(wrong_sense=frozenset({"head S"})))
    assert backwards == pytest.approx(-90, abs=1)
    swapped, other = swing(0, mistakes=Mistakes(swapped=True))
    assert swapped == pytest.approx(-90, abs=1)  # it faces the other way
    # Gains and distances of each head are its own, drawn within a few tenths of a percent and of a mm.
    assert other == pytest.approx(m, abs=12)
    assert abs(s - m) > 30
    with pytest.raises(PersonError, match="head X"):
        device(job, rig, mistakes=Mistakes(wrong_sense=frozenset({"head X"})))
    with pytest.raises(PersonError, match="head S, head M"):
        device(job, rig, heads={"head X": HeadFaults()})


def test_a_device_that_restarts_is_silent_for_a_moment_and_counts_from_nothing(job, rig):
    s = device(job, rig, links={"S": LinkFaults(rate_ppm=500.0)})
    before = s.produce(0.9)
    s.restart(0.9, silent_s=0.5)
    columns = decoded(rig, before + s.produce(1.7) + s.produce(2.5))
    gap = int(np.argmin(columns["count"]))
    assert columns["count"][gap] == 0
    assert columns["ms"][gap] < 11
    assert np.all(np.diff(columns["ms"][gap:]) > 0)
    assert s.records == columns["count"].size == pytest.approx(200, abs=3)
    span = columns["ms"][gap - 1] - columns["ms"][0]
    assert span == pytest.approx((gap - 1) * 10, abs=1.5)  # the fast clock also samples faster


def test_light_from_elsewhere_and_an_interrupted_beam_show_in_place_and_light(job, rig):
    def read(optics):
        return decoded(rig, device(job, rig, optics={"head S": optics}).produce(0.9))

    plain, pulled, gone = read(Optics()), read(Optics(background=0.5)), read(Optics(brightness=0.0))
    assert pulled["spot"].mean() == pytest.approx(plain["spot"].mean() / 1.5, abs=1.0)
    assert pulled["light"].mean() == pytest.approx(plain["light"].mean() * 1.5, rel=0.02)
    assert gone["light"].max() < 100
    assert gone["spot"].std() > 10 * plain["spot"].std()


# The way


def sent(faults: RadioFaults, n=4000, every=7) -> tuple[list[tuple[float, int]], Radio]:
    radio, got = Radio(faults, np.random.SeedSequence(2)), []
    for i in range(n):
        radio.send(b"%d" % i, 0.01 * i)
        if i % every == 0:
            got += radio.received(0.01 * i)
    return [(t, int(r)) for t, r in got + radio.received(1e9)], radio


def test_a_perfect_way_changes_nothing_and_a_broken_one_lets_nothing_through():
    got, radio = sent(RadioFaults(), 100)
    assert got == [(pytest.approx(0.01 * i), i) for i in range(100)]
    assert radio.lost == 0
    assert sent(RadioFaults(disconnected=True), 50)[0] == []
    assert sent(RadioFaults(loss=1.0), 50)[0] == []


@pytest.mark.parametrize("run", [1.12, 5.0])
def test_losses_have_the_share_and_the_length_that_were_asked_for(run):
    got, radio = sent(RadioFaults(loss=0.1, run=run), 20_000)
    assert radio.lost / 20_000 == pytest.approx(0.1, abs=0.015)
    there = np.zeros(20_000, dtype=bool)
    there[[i for _, i in got]] = True
    runs = [sum(1 for _ in g) for lost, g in itertools.groupby(~there) if lost]
    assert np.mean(runs) == pytest.approx(run, rel=0.12)


def test_jitter_keeps_the_order_unless_records_may_overtake_and_some_come_twice():
    late = RadioFaults(delay_s=0.02, jitter_s=0.03, duplicates=0.1)
    got, _ = sent(late)
    assert [i for _, i in got] == sorted(i for _, i in got)
    free, _ = sent(RadioFaults(0.02, 0.03, duplicates=0.1, overtaking=True))
    numbers = [i for _, i in free]
    assert numbers != sorted(numbers)
    assert [t for t, _ in free] == sorted(t for t, _ in free)
    assert len(numbers) / 4000 == pytest.approx(1.1, abs=0.02)
    first = {i: t for t, i in reversed(free)}
    delays = np.array([t - 0.01 * i for i, t in first.items()])
    assert delays.min() >= 0.02
    assert delays.mean() == pytest.approx(0.05, abs=0.003)
    assert sent(late, every=7)[0] == sent(late, every=50)[0]


# Told by JSON lines


async def test_whoever_controls_it_turns_bolts_and_disturbs(job, rig):
    async with Bench(build_scene(job, rig, 1), "tcp", 50.0) as bench:

        async def do(**action):
            return await perform(bench, read_action(json.dumps(action)))

        heads, machine = bench.scene.heads, bench.scene.mechanic.machine
        assert (await do(do="loosen", foot="near feet", side="left", wait=False))["done"] == "loosen"
        assert (await do(do="shim", foot="near feet", side="left", mm=-0.5, wait=False))["mm"] == -0.5
        feet = (await do(do="feet"))["feet"]
        assert max(f["gap_inner_mm"] for f in feet) > 0.3
        assert (await do(do="jack", foot="far feet", mm=0.1, wait=False))["done"] == "jack"
        await do(do="knock", head="head S", outward_mm=0.5, deg=1)
        await do(do="knock", head="head S", outward_mm=0.25)
        await do(do="loose", head="head S", mm=0.1)
        await do(do="cable", head="head S", from_deg=10, to_deg=80, outward_mm=0.1)
        now = heads.faults["head S"].last
        assert (now.outward_mm, now.turned_deg, now.loose_mm, now.cable.to_deg) == (0.75, 1.0, 0.1, 80.0)
        await do(do="light", head="head M", background=0.3)
        await do(do="light", head="head M", brightness=0.5)
        assert heads.optics["head M"].last == Optics(background=0.3, brightness=0.5)
        await do(do="warm", foot="far feet", by_k=20)
        await do(do="vibrate", hz=25, z_mm=0.01)
        assert machine.warmings[0].end_c == 20
        assert machine.vibrations[0].z_mm == 0.01
        await do(do="restart", link="S")
        await do(do="radio", link="M", loss=0.5, run=2)
        assert bench.device("M").radio.faults == RadioFaults(loss=0.5, run=2)
        for wrong, words in (
            ({"do": "knock", "head": "head X"}, "head S, head M"),
            ({"do": "warm", "foot": "x", "by_k": 1}, "near feet"),
            ({"do": "loosen", "foot": "x"}, "near feet"),
            ({"do": "cable", "head": "head S", "from_deg": 9, "to_deg": 8}, "to_deg"),
        ):
            with pytest.raises(PersonError, match=words):
                await do(**wrong)
