"""Measures the program against plain references in the same run: `make bench`, or `python tests/bench/run.py [NAME ...]`."""

import importlib
import json
import os
import time

# One core is what the figures are about; numpy reads this once, when it is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import click
from figures import as_json, machine, table

NAMES = (
    "startup",
    "fit",
    "throughput",
    "latency",
    "cpu",
    "estimator",
    "upkeep",
    "tracking",
    "transports",
    "faults",
    "shims",
    "replay",
    "unread",
)


@click.command()
@click.argument("names", nargs=-1, type=click.Choice(NAMES))
@click.option("--json", "in_json", is_flag=True, help="Print the figures as one JSON object.")
def main(names: tuple[str, ...], in_json: bool) -> None:
    """Run the benchmarks named, or all.

    The ratio to the reference means something on any machine; the figures themselves only on a quiet one.
    """
    results = {}
    for name in names or NAMES:
        begin = time.perf_counter()
        before = machine()
        bench = importlib.import_module(name)
        figures = bench.measure()
        results[name] = {"machine": before, "figures": as_json(figures)}
        if not in_json:
            took = time.perf_counter() - begin
            load = "" if before["load"] is None else f", load {before['load']:.1f}"
            title = bench.__doc__.splitlines()[0].rstrip(".")
            click.echo(f"{name}: {title} ({took:.0f} s, {before['cores']} cores{load})")
            click.echo(table(figures) + "\n")
    if in_json:
        click.echo(json.dumps(results, indent=1))


if __name__ == "__main__":
    main()
