"""Throughput: captured bytes to the final fit, beside a bare loop of float() over the same bytes."""

import contextlib
import os
import re
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
from figures import Figure

from heads import JOB, LINKS, RATE_HZ, RIG, Head
from livealign.config.load import load_pair
from livealign.record.captured import captured_events, rig_for_files
from livealign.record.replay import run_events
from livealign.session.engine import Session

__all__ = ["capture", "measure", "solve"]

LINES_A_HEAD = 200_000
RUNS = 5
LEAST_SHARE = 1 / 6


def measure() -> list[Figure]:
    with tempfile.TemporaryDirectory() as name, _one_core():
        files = capture(Path(name), LINES_A_HEAD)
        plain = [re.sub(rb"\*..\n", b"\n", path.read_bytes()).removesuffix(b"\n") for path in files.values()]
        whole, bare = [], []
        for _ in range(RUNS):
            begin = time.process_time()
            _loop(plain)
            bare.append(time.process_time() - begin)
            begin = time.process_time()
            records = solve(files)
            whole.append(time.process_time() - begin)
    speed, bare_speed = records / statistics.median(whole), records / statistics.median(bare)
    return [
        Figure(
            "records through everything",
            speed,
            "1/s",
            bare_speed,
            "float() loop",
            "at least 1/6",
            speed >= LEAST_SHARE * bare_speed,
        )
    ]


def capture(folder: Path, lines: int) -> dict[str, Path]:
    """Write what two heads say while the shafts are turned to and fro; return the files by link."""
    files = {}
    angle_deg = 180.0 * (1.0 - np.cos(2.0 * np.pi * np.arange(lines) / (40.0 * RATE_HZ)))
    for number, link in enumerate(LINKS):
        files[link] = folder / f"{link}.bin"
        head = Head(link, np.random.default_rng(number))
        files[link].write_bytes(b"".join(head.lines(angle_deg)))
    return files


def solve(files: dict[str, Path]) -> int:
    """Do what `livealign solve` does with captured bytes; return how many records were read."""
    job, rig = load_pair(JOB, RIG)
    session = Session(job, rig_for_files(rig, files))
    last = run_events(session, captured_events(files))
    if last.as_found is None or last.verdict.probability is None:
        raise RuntimeError("the captured bytes gave no result")
    return sum(link.counters.records for link in last.links)


def _loop(plain: list[bytes]) -> None:
    for data in plain:
        for line in data.split(b"\n"):
            [float(x) for x in line.split(b",")]


@contextlib.contextmanager
def _one_core():
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(before)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)
