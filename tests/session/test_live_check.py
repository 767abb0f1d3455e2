"""What is said of a rig that is looked at live: every fault in its own words, and nothing of a rig in order."""

import numpy as np
import pytest

from livealign.config.load import parse_rig
from session.shown import RIG, Fault, Scene, Shown, scene, with_heads, with_link

RIG_READ = parse_rig(RIG, "rig")


def test_of_a_rig_in_order_nothing_is_said():
    """Fifty rigs: other rates, places, noises, zeros, delays, clocks, senses; with and without a turn."""
    for seed in range(50):
        rng = np.random.default_rng(seed)
        rate_hz = float(rng.choice([10.0, 25.0, 50.0, 100.0, 400.0]))
        rig = with_heads(RIG_READ, sense=str(rng.choice(["clockwise", "counterclockwise"])))
        rig = with_link(rig, 1, nominal_rate_hz=None if seed % 2 else rate_hz)
        if seed % 3 == 0:
            rig = with_link(rig, 0, sequence=None)
        healthy = scene(
            rig=rig,
            seed=seed,
            rate_hz=rate_hz,
            seconds=float(rng.choice([5.0, 10.0])),
            start_deg=float(rng.uniform(0, 360)),
            turn_deg=float(rng.uniform(10, 120)),
            zero_deg=tuple(rng.normal(0, 0.2, 2)),
            noise=float(rng.uniform(0.3, 1.8)),
            offset_mm=float(rng.choice([0.0, 0.002, 0.05, 2.0])),
            late_s=float(rng.choice([0.0005, 0.004, 0.02])),
        )
        assert healthy.told(turn=seed % 4 != 3) == (), f"seed {seed}"


def spoil(link: str, *, turning_too: bool = True, **columns) -> Fault:
    def fault(shown: dict[str, Shown]) -> None:
        for name, change in columns.items():
            shown[link].columns[name] = change(shown[link].columns[name])

    return fault


def of_link(link: str, change) -> Fault:
    return lambda shown: change(shown[link])


def random_rows(s: Shown, share: float) -> np.ndarray:
    return np.random.default_rng(5).random(s.time_s.size) < share


def noisy(sd: float):
    return lambda v: v + np.random.default_rng(3).normal(0, sd, v.size)


def lose(s: Shown) -> None:
    lost = random_rows(s, 0.03)
    s.keep(~lost)
    s.counters["missed"] = int(lost.sum())


def pause(s: Shown) -> None:
    s.keep((s.time_s < 4.0) | (s.time_s > 6.5))


def repeat(s: Shown) -> None:
    s.counters["repeated"] = 40


def corrupt(s: Shown) -> None:
    bad = random_rows(s, 0.02)
    s.keep(~bad)
    s.counters["bad"] = int(bad.sum())
    s.status["last_bad"] = "12,3x,4: checksum"


def garbage(s: Shown) -> None:
    s.silence("open")
    s.counters.update(bad=312, bytes=9000)
    s.status["last_bad"] = "\\xf8\\x80\\x06: not a number"


def burst(s: Shown) -> None:
    s.arrival_s = np.ceil(s.arrival_s / 0.4) * 0.4


def stumble(s: Shown) -> None:
    uneven = np.random.default_rng(2).uniform(0, 9, s.time_s.size)
    s.columns["ms"] = np.floor(s.columns["ms"] + uneven)


def reconnect(s: Shown) -> None:
    s.counters["reconnects"] = 2
    pause(s)


def half_dim(s: Shown) -> None:
    s.columns["light"][::2] = 120.0


def still(s: Shown) -> None:
    s.columns["spot"][:] = 123.45


def battery(s: Shown) -> None:
    s.columns["battery"] -= 0.8


def rename(s: Shown) -> None:
    s.columns["dot"] = s.columns.pop("spot")


def drift(s: Shown) -> None:
    s.columns["spot"] += np.linspace(0, 25, s.time_s.size)


def other_way(v: np.ndarray) -> np.ndarray:
    return (360.0 - v) % 360.0


MISSING = "there is no port /dev/ttyS7: plug it in. This computer has no serial port now"
TURNED_WRONG = spoil("M", angle=other_way)


@pytest.mark.parametrize(
    ("shown", "kind", "words"),
    [
        pytest.param(
            scene(fault=TURNED_WRONG),
            "sense",
            'head M counts the other way | Write sense = "clockwise" in [heads.angle] of head M.',
            id="wrong sense",
        ),
        pytest.param(
            scene(turn_deg=-40.0),
            "swapped",
            "head M all count the other way: the heads are swapped, or the turn was counterclockwise | Turn",
            id="swapped heads",
        ),
        pytest.param(
            scene(rig=with_heads(RIG_READ, sense="clockwise"), turn_deg=-40.0),
            "sense",
            "or the turn was counterclockwise | Turn again, clockwise as seen from behind the movable machine",
            id="all turned the other way",
        ),
        pytest.param(
            scene(fault=spoil("S", spot=noisy(12.0))),
            "noisy",
            "head S position: noise 0.012 mm, six times what the rig file says | "
            "Tighten its bracket, shade off other light, average in the head; or write noise_mm = 0.012.",
            id="noisy",
        ),
        pytest.param(
            scene(fault=spoil("M", angle=noisy(0.4))),
            "noisy",
            "head M angle: noise 0.41 deg, eight times",
            id="noisy angle",
        ),
        pytest.param(
            scene(fault=of_link("S", still)),
            "stuck",
            "head S position has not changed at all in 1000 readings over 10 s: it is stuck",
            id="stuck",
        ),
        pytest.param(
            scene(fault=spoil("M", angle=lambda v: np.full(v.size, 319.123))),
            "stuck",
            "head M angle has not changed at all",
            id="stuck angle",
        ),
        pytest.param(
            scene(
                fault=spoil(
                    "M", angle=lambda v: np.round(-40.0 % 360 + 0 * v + 0.05 * np.sin(np.arange(v.size)), 3)
                )
            ),
            "does not turn",
            "head M shows 0.0 deg of a turn by 40 deg",
            id="not clamped",
        ),
        pytest.param(
            scene(fault=spoil("S", light=lambda v: v * 0.15)),
            "dim",
            "head S position gets too little light (135 of 200 needed) in all of its readings",
            id="dim",
        ),
        pytest.param(
            scene(fault=of_link("S", half_dim)), "dim", "in 50 % of its readings", id="half the time dim"
        ),
        pytest.param(
            scene(fault=spoil("M", spot=lambda v: v * 0 + 5000.0)),
            "clipped",
            "head M position is at the end of its range (-5 to 5 mm) in all of its readings",
            id="clipped",
        ),
        pytest.param(
            scene(rig=with_link(RIG_READ, 1, nominal_rate_hz=100.0), rate_hz=40.0),
            "rate",
            "link M brings 40 records a second, the rig file says 100 | Write nominal_rate_hz = 40,",
            id="slow rate",
        ),
        pytest.param(
            scene(fault=of_link("M", burst)),
            "jitter",
            "records of link M come in bursts, up to 400 ms apart",
            id="bursts",
        ),
        pytest.param(
            scene(fault=of_link("S", stumble)),
            "jitter",
            "the device on link S does not measure evenly: its steps of 10 ms differ by",
            id="uneven device",
        ),
        pytest.param(
            scene(fault=of_link("S", lose)),
            "lost records",
            "41 of 1000 records of link S never came",
            id="gaps",
        ),
        pytest.param(
            scene(fault=of_link("M", pause)),
            "lost records",
            "records of link M never came, 2.5 s at a stretch",
            id="pause",
        ),
        pytest.param(
            scene(fault=of_link("S", repeat)),
            "duplicates",
            "40 records of link S came twice",
            id="duplicates",
        ),
        pytest.param(
            scene(fault=of_link("M", corrupt)),
            "bad records",
            "of 1000 records of link M cannot be read; the last: 12,3x,4: checksum",
            id="bad records",
        ),
        pytest.param(
            scene(fault=of_link("S", reconnect)),
            "reconnects",
            "link S was lost and came back twice",
            id="loose plug",
        ),
        pytest.param(
            scene(zero_deg=(0.0, 12.0)),
            "heads apart",
            "head S and head M are 12.0 deg apart, though the shafts are coupled | "
            "Set both heads to the same angle, or correct zero_deg: head M shows +12.0 deg more.",
            id="heads apart",
        ),
        pytest.param(
            scene(fault=of_link("S", battery)),
            "auxiliary",
            "head S battery is low: 3.1 V, at least 3.3 V is in order | See to it before measuring; a battery",
            id="low battery",
        ),
        pytest.param(
            scene(fault=of_link("S", garbage)),
            "only bad records",
            "nothing that comes over link S can be read: 312 bad records; the last: \\xf8\\x80\\x06: not a number | "
            "Check baud (57600 in the rig file) against the head's, then the format (delimited)",
            id="wrong baud",
        ),
        pytest.param(
            scene(fault=of_link("M", lambda s: s.silence("silent"))),
            "nothing comes",
            "link M is open, but nothing comes over it | Switch the head on and look at its cable",
            id="silent link",
        ),
        pytest.param(
            scene(fault=of_link("S", lambda s: s.silence("lost", MISSING))),
            "not open",
            "link S is not there | There is no port /dev/ttyS7: plug it in. This computer has no serial port now.",
            id="port missing",
        ),
        pytest.param(
            scene(fault=of_link("S", rename)),
            "no such field",
            "head S position: no field 'spot' comes over link S | Correct the name in the rig file; these come: angle,",
            id="wrong field",
        ),
        pytest.param(
            scene(fault=spoil("S", ms=lambda v: v * 1000 % 2**16)),
            "clock",
            "the clock of link S, field 'ms' in ms, runs",
            id="clock in other unit",
        ),
        pytest.param(scene(fault=of_link("M", drift)), "drift", "head M position drifts: 0.02", id="drift"),
        pytest.param(
            scene(
                rig=with_heads(RIG_READ, unit="rad"),
                fault=spoil("M", angle=lambda v: np.round(np.degrees(v), 2)),
            ),
            "unit",
            'its angle is in deg | Write unit = "deg" in [heads.angle] of head M.',
            id="wrong unit",
        ),
        pytest.param(
            scene(fault=spoil("M", spot=lambda v: np.round(v, -1))),
            "coarse",
            "head M position changes in steps of 0.01 mm, coarse for a noise of 0.002 mm | Write noise_mm = 0.0029,",
            id="coarse",
        ),
        pytest.param(scene(turn_deg=1.0), "not turned", "the shafts were hardly turned", id="not turned"),
    ],
)
def test_each_fault_is_told_in_its_own_words_and_alone(shown: Scene, kind: str, words: str):
    told = shown.told()
    assert [f.kind for f in told] == [kind]
    assert words in f"{told[0].what} | {told[0].advice}"


def test_without_a_turn_a_head_that_counts_the_other_way_is_a_guess_and_a_coarse_one_is_no_fault():
    (told,) = scene(fault=TURNED_WRONG).told(turn=False)
    assert told.kind == "heads apart"
    assert told.advice.endswith("Or one of them counts the other way: run the check with a turn to tell.")
    coarse = spoil("M", spot=lambda v: np.round(v, -1) * 0 + 120.0)
    (told,) = scene(fault=coarse).told(turn=False)
    assert (told.kind, told.wrong) == ("coarse", False)
    # It does not change while the shafts turn either, though nothing was in line.
    (told,) = scene(fault=coarse).told()
    assert (told.kind, told.wrong) == ("stuck", True)


def test_what_is_wrong_comes_before_what_is_to_be_kept_in_mind_and_links_before_channels():
    def everything(shown: dict[str, Shown]) -> None:
        battery(shown["S"])
        spoil("S", spot=noisy(12.0))(shown)
        burst(shown["S"])
        shown["M"].silence("refused", "head-m is not known: correct `host`")

    told = scene(fault=everything).told()
    assert [f.kind for f in told] == ["not open", "noisy", "auxiliary", "jitter"]
    assert [f.wrong for f in told] == [True, True, True, False]
