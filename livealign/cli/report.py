"""`livealign report`: one file that tells the whole session."""

import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import click

from livealign.errors import PersonError

__all__ = ["report"]

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
_PRINT_S = 90

_EXAMPLES = """\b
Examples:
  livealign report recordings/fan.mcap
  livealign report recordings/fan.mcap --output fan.html --units inch
  livealign report recordings/fan.mcap --pdf
"""


@click.command(epilog=_EXAMPLES)
@click.argument("session", type=click.Path(path_type=Path))
@click.option("--output", type=click.Path(path_type=Path), help="The HTML file. [beside the recording]")
@click.option("--units", type=click.Choice(["mm", "inch"]), help="Instead of the job's.")
@click.option("--pdf", is_flag=True, help="A PDF too, printed by a browser of this machine.")
@click.option("--force", is_flag=True, help="Write over files that are there.")
def report(session: Path, output: Path | None, units: Any, *, pdf: bool, force: bool) -> None:
    """Write the report of SESSION: one HTML file that holds everything and prints well, and a JSON file beside it.

    SESSION is a recording (.mcap), or the folder that holds it.
    """
    from livealign.record.reader import Recording, find_recording
    from livealign.report.page import make_report

    recording = Recording(find_recording(session))
    html = output or recording.path.with_suffix(".html")
    wanted = [html, html.with_suffix(".json"), *([html.with_suffix(".pdf")] if pdf else [])]
    if there := [p for p in wanted if p.exists() and not force]:
        raise PersonError("this file is there already", where=str(there[0]), advice="--force writes over it.")
    made = make_report(recording, units)
    try:
        html.write_text(made.html, encoding="utf-8")
        html.with_suffix(".json").write_text(made.json, encoding="utf-8")
    except OSError as e:
        raise PersonError(f"cannot be written: {e.strerror or e}", where=str(html)) from e
    if pdf:
        _print(html, html.with_suffix(".pdf"))
    for path in wanted:
        click.echo(str(path))


def _print(html: Path, pdf: Path) -> None:
    browser = next((found for name in _BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        raise PersonError(
            "no browser was found to print the PDF with",
            advice=f"Open {html} in a browser and print it from there.",
        )
    with tempfile.TemporaryDirectory() as profile:
        command = [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
            "--disable-sync", "--no-pdf-header-footer", f"--user-data-dir={profile}", f"--print-to-pdf={pdf.resolve()}",
            html.resolve().as_uri(),
        ]  # fmt: skip
        try:
            done = subprocess.run(command, capture_output=True, timeout=_PRINT_S, check=False)
        except subprocess.TimeoutExpired as e:
            raise PersonError(f"{browser} did not print in {_PRINT_S} s", where=str(html)) from e
    if done.returncode or not pdf.exists():
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or ["it said nothing"]
        raise PersonError(f"{browser} could not print: {last[0]}", where=str(html))
