"""Heads that send electrode counts, accelerometer axes and their battery, and leave the arithmetic to the rig file."""

import math

from livealign.config.rig import Rig
from livealign.session.engine import Session
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions
from session.bench import FACING, Course, Line, assert_pose, job_of, rig_of

AXIS = Line(up=0.30, rise=0.4, right=-0.15, swing=-0.2)
RAW = ("count", "ms", "ax", "ay", "i1", "i2", "mv")
LENGTH_UM, DARK, LIGHT, G = 10_000.0, 14.0, 3000.0, 16_384.0


class Converter:
    """Says the same as an ordinary head, in raw counts; its battery runs down."""

    def __init__(self) -> None:
        self.ordinary = DelimitedFormat(DelimitedOptions(columns=FACING[0].columns, checksum="xor8"))
        self.raw = DelimitedFormat(DelimitedOptions(columns=RAW, checksum="xor8", decimals=3))
        self.battery_mv = 3900.0
        self.light = LIGHT

    def __call__(self, _link: str, line: bytes) -> bytes:
        said = {name: float(v[0]) for name, v in self.ordinary.decode(line).columns.items()}
        theta, share = math.radians(said["angle"]), said["position"] / LENGTH_UM
        self.battery_mv -= 0.08
        return self.raw.encode(
            {
                "count": said["count"],
                "ms": said["ms"],
                "ax": -G * math.cos(theta),
                "ay": -G * math.sin(theta),
                "i1": DARK + self.light * (0.5 - share),
                "i2": DARK + self.light * (0.5 + share),
                "mv": self.battery_mv,
            }
        )


def raw_rig() -> Rig:
    made = rig_of(FACING).model_dump(by_alias=True)
    for link in made["links"]:
        link["driver"] = {"kind": "tcp", "host": "127.0.0.1", "port": 1}
        link["format"] = {"kind": "delimited", "columns": list(RAW), "checksum": "xor8"}
        link["computed"] = {
            "spot": {
                "kind": "electrodes", "plus": ["i2"], "minus": ["i1"], "length": LENGTH_UM,
                "dark": DARK, "full_scale": 4095.0, "sum": "light",
            },
            "tilt": {"kind": "gravity", "outward": "-ax", "clockwise": "ay", "scales": (G, G)},
        }  # fmt: skip
    for head in made["heads"]:
        head["angle"]["field"] = "tilt"
        head["detectors"][0].update(field="spot", light_field="light", dim_below=200.0)
        head["auxiliary"] = [{"name": "battery", "field": "mv", "unit": "V", "scale": 0.001, "low": 3.8}]
    return Rig.model_validate(made)


def test_a_job_measured_with_raw_heads_and_a_battery_that_warns() -> None:
    converter = Converter()
    course = Course(job_of(), axis=AXIS, mangle=converter)
    course.session = Session(course.job, raw_rig(), snapshots_per_s=5.0)
    for head in FACING:
        course.link(head.name, "open")
    fresh = course.run(1.0)[-1]
    assert not any("attery" in line for line in fresh.advice)
    assert_pose(course.rotation().pose, AXIS)

    flat = course.run(2.0)[-1]
    state = {c.name: c for c in flat.channels}["head S battery"]
    assert (state.kind, state.unit, state.noise, state.flags) == ("auxiliary", "V", None, ("low",))
    assert state.value is not None
    assert 3.5 < state.value < 3.8
    assert flat.advice[0] == f"Head S battery is low: {state.value:.3g} V."

    converter.light = 20.0  # a hand in the beam: positions are still numbers, and do not count
    dark = course.run(0.5)[-1]
    assert "dim" in {c.name: c for c in dark.channels}["head S position"].flags
