"""Checks the corpus, rebuilds what is expected of it, or adds a capture.

python tests/corpus/run.py check            every capture against what is expected of it
python tests/corpus/run.py rebuild [NAME]   show what has changed, and expect it from now on
python tests/corpus/run.py add NAME RECORDING.mcap "What rig, what transport, what happened."
"""

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from corpus.captures import (
    FOLDER,
    differences,
    from_recording,
    plain_of,
    play,
    read,
    read_expected,
    write,
    write_expected,
)
from livealign.record.reader import Recording

_MOST_SHOWN = 20


def main() -> int:
    """Do what the command line says; 1 if something differs."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("do", choices=["check", "rebuild", "add"])
    parser.add_argument("rest", nargs="*")
    told = parser.parse_args()
    if told.do == "add":
        name, recording, header = told.rest
        write(FOLDER / name, from_recording(Recording(Path(recording)), header))
        _rebuild([name])
        return 0
    names = told.rest or sorted(p.name for p in FOLDER.iterdir() if p.is_dir())
    if told.do == "rebuild":
        _rebuild(names)
        return 0
    start = time.perf_counter()
    bad = [name for name in names if _show(name)]
    print(f"{len(names)} captures, {len(bad)} differ, {time.perf_counter() - start:.1f} s")  # noqa: T201
    return 1 if bad else 0


def _show(name: str) -> list[str]:
    found = list(differences(read_expected(FOLDER / name), [plain_of(s) for s in play(read(FOLDER / name))]))
    for line in found[:_MOST_SHOWN]:
        print(f"{name}: {line}")  # noqa: T201
    if len(found) > _MOST_SHOWN:
        print(f"{name}: and {len(found) - _MOST_SHOWN} more")  # noqa: T201
    return found


def _rebuild(names: list[str]) -> None:
    for name in names:
        if (FOLDER / name / "expected.json").exists():
            _show(name)
        write_expected(FOLDER / name, play(read(FOLDER / name)))


if __name__ == "__main__":
    sys.exit(main())
