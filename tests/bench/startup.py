"""Start-up: wall time of `livealign --help` beside the bare interpreter."""

import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

from figures import Figure

__all__ = ["measure"]

RUNS = 15
AIM_S = 0.1


def measure() -> list[Figure]:
    script = shutil.which("livealign", path=str(Path(sys.executable).parent))
    commands = {
        "python -c pass": [sys.executable, "-c", "pass"],
        "python -m livealign --help": [sys.executable, "-m", "livealign", "--help"],
    }
    if script:
        commands["livealign --help"] = [script, "--help"]
    times: dict[str, list[float]] = {name: [] for name in commands}
    for number in range(RUNS + 1):
        for name, command in commands.items():
            begin = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            if number:  # the first fills the caches
                times[name].append(time.perf_counter() - begin)
    bare = statistics.median(times.pop("python -c pass"))
    return [
        Figure(name, median, "s", bare, "python -c pass", f"about {AIM_S} s", median <= 1.2 * AIM_S)
        for name, median in ((name, statistics.median(t)) for name, t in times.items())
    ]
