"""Puts a live run together from its files."""

import logging
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

from livealign.config.calibration_age import calibration_doubts
from livealign.config.checklist import default_checklist_text
from livealign.config.document import read_text
from livealign.config.load import load_pair, parse_checklist
from livealign.paths import ServiceNote, default_note_path
from livealign.record.writer import Recorder, recording_path
from livealign.service.daemon import Daemon, session_clock
from livealign.service.guard import is_loopback
from livealign.service.links import build_drivers
from livealign.service.server import Bind, listen, new_token, serve
from livealign.session.engine import Session

__all__ = ["run_job"]


async def run_job(
    job_path: Path,
    rig_path: Path,
    *,
    checklist: Path | None = None,
    record: Path | None,
    bind: Bind,
    note: Path | None,
    rate_hz: float,
    today: date,
    say: Callable[[str], None],
    ready: Callable[[ServiceNote, Path], None],
) -> None:
    """Run a job until it is stopped.

    Args:
        job_path: the job file.
        rig_path: the rig file.
        checklist: the plant's checklist; None for the one shipped.
        record: folder for a recording, or None.
        bind: where to listen.
        note: file for the note to clients; None is the default place.
        rate_hz: most snapshots a second.
        today: the date, for reminders of old calibrations.
        say: is given lines for the person.
        ready: is called with the note and its file when clients can come.

    Raises:
        PersonError: if anything the person gave is wrong, or the session has failed.
    """
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    job, rig = load_pair(job_path, rig_path)
    for reminder in calibration_doubts(rig, today):
        say(f"{rig_path}: {reminder.key}: {reminder.what}. {reminder.advice}")
    checklist_text = default_checklist_text() if checklist is None else read_text(checklist)
    the_checklist = parse_checklist(checklist_text, str(checklist or "the shipped checklist"))
    session = Session(job, rig, the_checklist, snapshots_per_s=rate_hz)
    clock = session_clock()
    start_unix_ns = time.time_ns()
    drivers = build_drivers(rig, clock)
    if not is_loopback(bind[0]):
        say(
            f"{bind[0]} is not this computer alone: whoever can reach it and has the token can watch and give "
            "commands, and nothing on the way is encrypted."
        )
    where = note or default_note_path()
    with listen(bind) as listening:
        recorder = None
        if record is not None:
            path = recording_path(record, job.name, datetime.fromtimestamp(start_unix_ns / 1e9, UTC))
            recorder = Recorder(
                path,
                start_unix_ns=start_unix_ns,
                job_text=read_text(job_path),
                rig_text=read_text(rig_path),
                checklist_text=checklist_text,
                snapshots_per_s=rate_hz,
            )
            say(f"Recording to {path}")
        daemon = Daemon(
            session,
            drivers,
            clock,
            say=say,
            recorder=recorder,
            patient=frozenset(link.name for link in rig.links if link.driver.kind == "file"),
        )
        await serve(daemon, listening, token=new_token(), note=where, ready=lambda left: ready(left, where))
    if recorder is not None:
        say(f"Recorded to {recorder.path}")
