"""Searches for bytes that break a format or a reader of files: `make fuzz SECONDS=600`.

Needs the extra `fuzz` (atheris, Linux and macOS). What is found is written to tests/fuzz/found/; once it is mended, move
it to tests/fuzz/corpus/TARGET/, where every run of the tests tries it again.
"""

import mmap
import os
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent)]

import click  # noqa: E402 - the tests' folder has to be known first

CORPUS, FOUND = HERE / "corpus", HERE / "found"
TARGETS = (
    "delimited", "json-lines", "senml", "sentence", "binary-sync", "binary-cobs", "binary-slip", "binary-message",
    "rig", "job", "recording",
)  # fmt: skip
FILES = {"rig", "job", "recording"}
COUNTS = struct.Struct("<QQ")
MOST_MEMORY_MB = 2048


@click.command()
@click.argument("targets", nargs=-1, type=click.Choice(TARGETS))
@click.option("--seconds", type=float, default=60.0, show_default=True, help="For all targets together.")
@click.option(
    "--alone", type=click.Path(path_type=Path), hidden=True, help="Search here, count into this file."
)
def main(targets: tuple[str, ...], seconds: float, alone: Path | None) -> None:
    """Search the TARGETS named, or all, one after the other, at low priority."""
    chosen = targets or TARGETS
    if alone is not None:
        search(chosen[0], seconds, alone)
        return
    failed = [target for target in chosen if not _searched(target, seconds / len(chosen))]
    if failed:
        click.echo(f"found something in: {', '.join(failed)}; see {FOUND}", err=True)
        sys.exit(1)


def _searched(target: str, seconds: float) -> bool:
    with tempfile.TemporaryDirectory() as name:
        counts, log = Path(name, "counts"), Path(name, "log")
        begin = time.monotonic()
        command = [sys.executable, __file__, target, "--seconds", str(seconds), "--alone", str(counts)]
        with log.open("wb") as out:
            code = subprocess.run(command, check=False, stdout=out, stderr=out).returncode
        took = time.monotonic() - begin
        runs, size = COUNTS.unpack(counts.read_bytes()) if counts.exists() else (0, 0)
        words = "nothing found" if code == 0 else "FAILED"
        click.echo(f"{target:15} {runs:>10,} executions  {size:>13,} bytes  {took:4.0f} s  {words}")
        if code:
            click.echo(log.read_text(encoding="utf-8", errors="replace")[-3000:])
        return code == 0


def search(target: str, seconds: float, counts: Path) -> None:
    """Search until the time is over or something is found; never returns."""
    import atheris

    os.nice(15)
    with atheris.instrument_imports(include=["livealign", "livealign_drivers"]):
        module = import_module("fuzz.files" if target in FILES else "fuzz.formats")
    check: Callable[[bytes], None] = module.CHECKS[target]
    from fuzz.seeds import seeds

    work = Path(tempfile.mkdtemp())
    for number, seed in enumerate(seeds(target)):
        (work / f"seed-{number}").write_bytes(seed)
    FOUND.mkdir(exist_ok=True)
    known = CORPUS / target
    known.mkdir(parents=True, exist_ok=True)
    counts.write_bytes(bytes(COUNTS.size))
    with counts.open("r+b") as file:
        counted = mmap.mmap(file.fileno(), COUNTS.size)

    def one(data: bytes) -> None:
        runs, size = COUNTS.unpack_from(counted)
        COUNTS.pack_into(counted, 0, runs + 1, size + len(data))
        check(data)

    longest = 8192 if target in FILES else 1024
    limits = [f"-max_total_time={max(1, round(seconds))}", f"-max_len={longest}", "-timeout=20"]
    places = [f"-rss_limit_mb={MOST_MEMORY_MB}", f"-artifact_prefix={FOUND}/{target}-", str(work), str(known)]
    atheris.Setup([sys.argv[0], *limits, *places], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
