"""Two heads whose lines the benchmarks write themselves, and the job and rig files that go with them."""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["JOB", "LINKS", "RATE_HZ", "RIG", "Head", "write_rig"]

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"
JOB, RIG = EXAMPLES / "job.toml", EXAMPLES / "rig.toml"
LINKS = ("S", "M")
RATE_HZ = 100
_X_M = {"S": -0.130, "M": 0.130}
_SIGN = {"S": 1.0, "M": -1.0}
_NOISE_UM = 1.0
_ANGLE_NOISE_DEG = 0.05


def write_rig(path: Path, **drivers: str) -> None:
    """Write the example rig with these drivers, by link, as TOML tables."""
    text = RIG.read_text(encoding="utf-8")
    for link, driver in drivers.items():
        text = re.sub(rf'(name = "{link}"\ndriver = ){{.*}}', lambda m, d=driver: m[1] + d, text)
    path.write_text(text, encoding="utf-8")


@dataclass(slots=True)
class Head:
    """Speaks `count,ms,angle,spot,light*checksum`, as the example rig wants it."""

    link: str
    rng: np.random.Generator
    records: int = 0

    def lines(self, angle_deg: NDArray[np.float64]) -> list[bytes]:
        """Return the next lines, with their ends, one for each shaft angle."""
        theta = np.radians(angle_deg)
        across = -0.15e-3 - 0.2e-3 * _X_M[self.link]
        up = 0.30e-3 + 0.4e-3 * _X_M[self.link]
        seen_um = 1e6 * _SIGN[self.link] * (across * np.sin(theta) + up * np.cos(theta))
        spot_um = 200.0 + seen_um + self.rng.normal(0.0, _NOISE_UM, theta.size)
        shown_deg = (angle_deg + self.rng.normal(0.0, _ANGLE_NOISE_DEG, theta.size)) % 360.0
        light = self.rng.integers(880, 920, theta.size)
        first, self.records = self.records, self.records + theta.size
        return [
            _checked(
                b"%d,%d,%.2f,%.1f,%d" % ((first + i) % 65536, 1000 + 10 * (first + i), angle, spot, bright)
            )
            for i, (angle, spot, bright) in enumerate(
                zip(shown_deg.tolist(), spot_um.tolist(), light.tolist(), strict=True)
            )
        ]


def _checked(body: bytes) -> bytes:
    checksum = 0
    for byte in body:
        checksum ^= byte
    return b"%b*%02X\n" % (body, checksum)
