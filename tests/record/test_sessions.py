"""Recordings on disk: listed, mended, as tables and back, and made of other loggers' logs."""

import csv
import json
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from livealign.cli import main
from livealign.config.load import parse_pair
from livealign.errors import PersonError
from livealign.record.logs import Layout, read_log
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.record.writer import Recorder
from livealign.session.engine import Session
from livealign.session.events import Command, Event
from livealign.snapshot import encode
from livealign.stream.contracts import Frame, LinkEvent
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions
from service.rigs import HORIZONTAL, JOB_TEXT, VERTICAL, Head, rig_text

COLUMNS = ("count", "ms", "angle", "spot", "light")
TURN = 300


@pytest.fixture
def livealign() -> Callable[..., Result]:
    return lambda *arguments: CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    """A rotation with a link that was lost once, and its snapshots."""
    path = tmp_path / "20260301-101500-fan.mcap"
    session = Session(*parse_pair(JOB_TEXT, rig_text(), "job", "rig"), snapshots_per_s=10.0)
    heads = {link: Head(link) for link in ("S", "M")}
    events: list[Event] = [LinkEvent(link, "open", 0) for link in heads]
    events.append(Command("begin_rotation", 1000))
    for step in range(TURN // 10):
        time_ns = (step + 1) * 100_000_000
        events += [Frame(link, head.lines(10), time_ns) for link, head in heads.items()]
    events.append(LinkEvent("S", "lost", time_ns + 1, "the cable is out, said ü, twice"))
    events.append(Command("end_rotation", time_ns + 2))
    with Recorder(
        path,
        start_unix_ns=1_772_360_100_000_000_000,
        job_text=JOB_TEXT,
        rig_text=rig_text(),
        snapshots_per_s=10.0,
    ) as recorder:
        for event in events:
            recorder.event(event)
            snapshot = session.feed(event)
            if snapshot is not None:
                recorder.snapshot(encode(snapshot), event.time_ns)
            recorder.flush_if_due(event.time_ns)
    return path


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_tables_give_back_the_recording_and_its_figures(
    recorded: Path, tmp_path: Path, livealign: Callable[..., Result], kind: str
) -> None:
    folder, again = tmp_path / "tables", tmp_path / "again.mcap"
    told = livealign("sessions", "export", recorded, folder, "--to", kind, "--json")
    assert told.exit_code == 0, told.output
    rows = json.loads(told.stdout)["rows"]
    assert rows[f"readings-S.{kind}"] == rows[f"readings-M.{kind}"] == TURN
    assert livealign("sessions", "import", folder, again).exit_code == 0
    assert list(Recording(again).items()) == list(Recording(recorded).items())
    assert "all the same" in livealign("solve", again, "--verify").output

    if kind == "csv":
        with (folder / "readings-S.csv").open(newline="") as f:
            read = list(csv.DictReader(f))
        sent = DelimitedFormat(DelimitedOptions(columns=COLUMNS, checksum="xor8"))
        whole = b"".join(
            i.payload for i in Recording(recorded).items() if isinstance(i, Frame) and i.link == "S"
        )
        assert [float(r["spot"]) for r in read] == sent.decode(whole).columns["spot"].tolist()
        with (folder / "results.csv").open(newline="") as f:
            last = list(csv.DictReader(f))[-1]
        assert float(last["vertical_offset_mm"]) == pytest.approx(VERTICAL[0], abs=0.02)

    refused = livealign("sessions", "export", recorded, folder)
    assert refused.exit_code == 1
    assert "Name a new folder" in refused.output


def test_a_torn_recording_is_mended_and_what_is_lost_is_said(
    recorded: Path, tmp_path: Path, livealign: Callable[..., Result]
) -> None:
    torn = tmp_path / "torn.mcap"
    data = recorded.read_bytes()
    torn.write_bytes(data[: len(data) * 6 // 10])
    told = livealign("sessions", "mend", torn, tmp_path / "mended.mcap", "--json")
    assert told.exit_code == 0
    said = json.loads(told.stdout)
    mended = Recording(tmp_path / "mended.mcap")
    kept, all_items = list(mended.items()), list(Recording(recorded).items())
    assert mended.torn is None
    assert kept == all_items[: len(kept)]
    assert 0 < len(kept) == said["messages"] < len(all_items)
    assert said["bytes_read"] + said["bytes_lost"] == torn.stat().st_size
    assert 0 < said["bytes_lost"] < torn.stat().st_size
    assert "Lost: the last" in livealign("sessions", "mend", torn, tmp_path / "more.mcap").output
    assert "Nothing was lost" in livealign("sessions", "mend", recorded, tmp_path / "whole.mcap").output

    listed = json.loads(livealign("sessions", "list", tmp_path, "--json").stdout)
    by_name = {one["file"]: one for one in listed}
    assert by_name["torn.mcap"]["torn"]
    assert by_name[recorded.name]["verdict"] != "not known"
    assert "torn" in livealign("sessions", "list", tmp_path).output


def other_logger(folder: Path, link: str, *, comma: bool = False) -> Path:
    """A table as a general-purpose logger writes it: local time, own names, a line that was cut."""
    head, decoder = Head(link), DelimitedFormat(DelimitedOptions(columns=COLUMNS, checksum="xor8"))
    sent = decoder.decode(head.lines(TURN)).columns
    start = datetime(2026, 5, 31, 23, 59, 58, tzinfo=UTC)
    path = folder / f"{link}.csv"
    with path.open("w", encoding="utf-8", newline="") as f:
        f.write("When;Tilt;Spot 1;Lux\n" if comma else "When,Tilt,Spot 1,Lux\n")
        for i in range(TURN):
            when = (start + timedelta(milliseconds=10 * i)).isoformat(timespec="milliseconds")
            cells = [when, *(f"{sent[c][i]:.3f}" for c in ("angle", "spot", "light"))]
            f.write((";".join(cells).replace(".", ",") if comma else ",".join(cells)) + "\n")
            if i == 100:
                f.write(when[:10] + "\n")
    return path


@pytest.mark.parametrize("comma", [False, True])
def test_logs_of_other_loggers_become_a_recording_that_solves(
    tmp_path: Path, livealign: Callable[..., Result], comma: bool
) -> None:
    (tmp_path / "job.toml").write_text(JOB_TEXT, encoding="utf-8")
    (tmp_path / "rig.toml").write_text(rig_text(), encoding="utf-8")
    logs = [f"{link}={other_logger(tmp_path, link, comma=comma)}" for link in ("S", "M")]
    files = ["--job", tmp_path / "job.toml", "--rig", tmp_path / "rig.toml"]
    maps = ["--map", "angle=Tilt", "--map", "spot=Spot 1", "--map", "light=Lux"]
    told = livealign(
        "sessions", "import", *logs, tmp_path / "fan.mcap", *files, *maps,
        "--time", "When", "--decimal", "," if comma else ".", "--json",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    for link in ("S", "M"):
        said = json.loads(told.stdout)["links"][link]
        assert (said["rows"], said["bad"]) == (TURN, 1)
        assert said["complaints"][0].startswith("line 103:")
    recording = Recording(tmp_path / "fan.mcap")
    assert recording.header.start.startswith("2026-05-31T23:59:58")
    assert "sequence =" not in recording.rig_text  # the log holds no counter; its times serve
    solved = json.loads(livealign("solve", tmp_path / "fan.mcap", "--json").stdout)
    for plane, (offset, slope) in (("vertical", VERTICAL), ("horizontal", HORIZONTAL)):
        pose = solved["pose"][plane]
        assert abs(pose["offset_mm"] - offset) < 3 * pose["offset_u_mm"]
        assert abs(pose["slope_mm_per_m"] - slope) < 3 * pose["slope_u_mm_per_m"]
    assert sum(isinstance(i, RecordedSnapshot) for i in recording.items()) > 10


@pytest.mark.parametrize(
    "stamp", ["{:%H:%M:%S.%f}", "[{:%H:%M:%S.%f}]", "{:%Y-%m-%d %H:%M:%S.%f}", "{:%Y-%m-%dT%H:%M:%S.%f}Z:"]
)
def test_a_terminals_log_keeps_the_heads_own_lines(tmp_path: Path, stamp: str) -> None:
    """The time before each line may be written in several ways, and may run over midnight."""
    head = Head("S")
    start = datetime(2026, 5, 31, 23, 59, 59, tzinfo=UTC)
    sent = head.lines(200).decode().splitlines()
    path = tmp_path / "terminal.log"
    with path.open("w", encoding="utf-8") as f:
        for i, line in enumerate(sent):
            f.write(f"{stamp.format(start + timedelta(milliseconds=10 * i))} {line}\n")
        f.write("--- log closed ---\n")
    form = DelimitedFormat(DelimitedOptions(columns=COLUMNS, checksum="xor8"))
    log = read_log(path, Layout(lines=True), form, frozenset(COLUMNS))
    assert [data.decode().strip() for _, data in log.frames] == sent
    assert log.bad == 1
    times = [t for t, _ in log.frames]
    assert times[-1] - times[0] == 1_990_000_000


def test_what_cannot_be_imported_is_told_with_what_to_do(
    tmp_path: Path, livealign: Callable[..., Result]
) -> None:
    (tmp_path / "job.toml").write_text(JOB_TEXT, encoding="utf-8")
    (tmp_path / "rig.toml").write_text(rig_text(), encoding="utf-8")
    files = ["--job", tmp_path / "job.toml", "--rig", tmp_path / "rig.toml"]
    one = f"S={other_logger(tmp_path, 'S')}"
    both = [one, f"M={other_logger(tmp_path, 'M')}"]
    for arguments, words in (
        ([one], "no captured bytes are given for the link 'M'"),
        ([*both, "--time", "Time"], "there is no column 'Time' for the time"),
        ([*both, "--time", "When"], "--map angle=Angle"),
        ([*both, "--time", "When", "--map", "angel=Tilt"], "brings no field 'angel'"),
        ([*both, "--time", "When", "--time-unit", "ms", "--map", "angle=Tilt"], "no row of it could be read"),
    ):
        logs = [a for a in arguments if "=" in a and not a.startswith("ang")]
        options = arguments[len(logs) :]
        told = livealign("sessions", "import", *logs, tmp_path / "x.mcap", *files, *options)
        assert told.exit_code == 1, words
        assert words in told.output, told.output
        assert not (tmp_path / "x.mcap").exists()


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused_in_words(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.mktemp("log") / "x.csv"
    path.write_text("t,angle\n" + text, encoding="utf-8", errors="ignore")
    form = DelimitedFormat(DelimitedOptions(columns=("angle",)))
    try:
        log = read_log(path, Layout(time="t", unit="s"), form, frozenset({"angle"}))
    except PersonError:
        return
    decoded = form.decode(b"".join(data for _, data in log.frames))
    assert decoded.bad == 0
    assert all(math.isfinite(v) or math.isnan(v) for v in decoded.columns["angle"])
