"""Streams of heads of many kinds, whose shafts are turned by a quarter and back, by the formats' own `encode`."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from livealign.listen.heard import Heard
from livealign.stream.registry import format_class

DECIMALS = {"deg": 2, "rad": 4, "mm": 4, "um": 1, "mil": 3, "in": 6}
MM = {"mm": 1.0, "um": 1e-3, "mil": 0.0254, "in": 25.4}
WIDTHS = {"counter": "H", "light": "H"}


@dataclass(frozen=True)
class Stream:
    """What came, and what it was."""

    heard: Heard
    kind: str
    options: dict[str, Any]
    roles: dict[str, str]
    """By field, in the format's order."""
    units: dict[str, str]


def stream(seed: int, kind: str | None = None) -> Stream:
    """A head drawn at random: its sensors, units, noise, format, rate and delays."""
    rng = np.random.default_rng(seed)
    rate = int(rng.choice([20, 50, 100]))
    count = int(rate * rng.uniform(4, 8))
    time_s = np.arange(count) / rate
    values, roles, units = _sensors(rng, time_s, _turned(rng, time_s))
    names = list(values)
    if rng.random() < 0.3:
        rng.shuffle(names)
    kind = kind or str(rng.choice(["delimited", "json-lines", "senml", "sentence", "binary"]))
    options = _options(rng, kind, names, roles, units)
    made = format_class(kind)
    spoken = made(made.options_model.model_validate(options))
    records = [spoken.encode({n: float(values[n][i]) for n in names}) for i in range(count)]
    records[0] = spoken.preamble() + records[0]
    heard = _arrived(rng, records, rate, cut=0 if options.get("header") else int(rng.integers(0, 15)))
    return Stream(heard, kind, options, {n: roles[n] for n in names}, units)


def _turned(rng, time_s):
    through = np.clip((time_s - 0.3 * time_s[-1]) / (0.6 * time_s[-1]), 0, 1)
    quarter = rng.choice([-1, 1]) * np.radians(rng.uniform(70, 120))
    theta = np.radians(rng.uniform(0, 360)) + quarter * np.sin(np.pi * through) ** 2
    return theta + (np.linspace(0, rng.uniform(4, 9), time_s.size) if rng.random() < 0.2 else 0.0)


def _sensors(rng, time_s, theta):
    count = time_s.size
    values, roles, units = {}, {}, {}

    def add(name, role, column, unit=None):
        values[name], roles[name] = column, role
        units.update({} if unit is None else {name: unit})

    if rng.random() < 0.7:
        modulus = rng.choice([256, 65536])
        add("count", "counter", (rng.integers(0, 65536) + np.arange(count)) % modulus)
    if rng.random() < 0.7:
        unit = str(rng.choice(["ms", "us", "s"], p=[0.6, 0.25, 0.15]))
        clock = rng.uniform(0, 1e5) + time_s * (1 + 4e-5)
        ticks = {"ms": np.floor(clock * 1e3), "us": np.floor(clock * 1e6) % 2**32, "s": np.round(clock, 4)}
        add("time", "clock", ticks[unit], unit)
    unit = str(rng.choice(["deg", "rad"], p=[0.75, 0.25]))
    turn = 360.0 if unit == "deg" else 2 * np.pi
    noisy = theta + np.radians(rng.choice([0.02, 0.05, 0.1])) * rng.normal(size=count)
    raw = noisy / (2 * np.pi) * turn
    wrapped = raw % turn if rng.random() < 0.6 else (raw + turn / 2) % turn - turn / 2
    add("angle", "angle", np.round(wrapped, DECIMALS[unit]), unit)
    unit = str(rng.choice(["mm", "um", "mil", "in"], p=[0.45, 0.4, 0.1, 0.05]))
    for k in range(int(rng.choice([1, 2], p=[0.75, 0.25]))):
        spot = rng.uniform(-2, 2) + rng.uniform(0.1, 2) * np.cos(theta + rng.uniform(0, 6.3))
        spot = spot + rng.choice([0.001, 0.002, 0.005]) * rng.normal(size=count)
        add(f"spot{k}", "position", np.round(spot / MM[unit], DECIMALS[unit]), unit)
    if rng.random() < 0.6:
        add("light", "light", np.round(rng.uniform(300, 3500) * (1 + 0.01 * rng.normal(size=count))))
    if rng.random() < 0.3:
        warm = rng.uniform(15, 40) + np.linspace(0, 0.2, count) + 0.05 * rng.normal(size=count)
        add("temp", "temperature", np.round(warm, 2))
    if rng.random() < 0.3:
        add("batt", "battery", np.round(rng.uniform(3.3, 4.1) + 0.003 * rng.normal(size=count), 2))
    return values, roles, units


def _options(rng, kind, names, roles, units):
    if kind == "json-lines":
        return {"fields": names if rng.random() < 0.5 else {n: f"head.now.{n}" for n in names}}
    if kind == "senml":
        return {"fields": {n: f"urn:dev:mac:0024befffe804ff1:{n}" for n in names}}
    if kind == "sentence":
        places = [f"XDR.{n.upper()}" if rng.random() < 0.5 else f"RIG.{k}" for k, n in enumerate(names, 1)]
        return {"fields": dict(zip(names, places, strict=True))}
    if kind == "binary":
        letters = "".join(
            WIDTHS.get(roles[n], ("d" if units[n] == "s" else "I") if roles[n] == "clock" else "f")
            for n in names
        )
        sums = ["crc16-ccitt", "crc16-modbus", "crc32", "xor8", "sum8"]
        options = {"layout": str(rng.choice(["<", ">"])) + letters, "columns": names}
        options["framing"] = str(rng.choice(["sync", "cobs", "slip"]))
        options["checksum"] = str(rng.choice(sums))
        if options["framing"] == "sync":
            options["sync"] = str(rng.choice(["aa55", "a55a", "fe"]))
            options["checksum_covers"] = str(rng.choice(["numbers", "all"]))
        return options
    options = {"columns": names, "delimiter": str(rng.choice([",", ";", "whitespace", "tab", "|"]))}
    options["checksum"] = str(rng.choice(["none", "xor8", "sum8", "crc16", "crc32"]))
    options["prefix"] = str(rng.choice(["", "$"]))
    style = rng.random()
    if style < 0.25:
        options |= {"label_value": True, "separator": str(rng.choice([":", "="]))}
    elif style < 0.5:
        options["header"] = True
    return options


def _arrived(rng, records, rate, *, cut):
    """Records come alone or together, late by some milliseconds."""
    pieces, arrivals, waiting = [], [], b""
    for i, record in enumerate(records):
        waiting += record
        if rng.random() < 0.5:
            pieces.append(waiting)
            arrivals.append(i / rate + rng.exponential(0.003))
            waiting = b""
    pieces[0] = pieces[0][cut:]
    return Heard(tuple(pieces), tuple(np.maximum.accumulate(arrivals).tolist()))
