"""`livealign solve`: a result from a recording or from captured bytes, or the reason why there is none."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from livealign.cli import main
from livealign.config.load import parse_pair
from livealign.record.reader import Recording
from livealign.record.writer import Recorder
from livealign.session.engine import Session
from livealign.session.events import Command, Event, Tick
from livealign.snapshot import decode, encode
from livealign.stream.contracts import Frame, LinkEvent
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions
from service.rigs import HORIZONTAL, JOB_TEXT, VERTICAL, Head, rig_text

TURN = 600
"""Records in a full turn."""
COLUMNS = ("count", "ms", "angle", "spot", "light")


@pytest.fixture
def livealign() -> Callable[..., Result]:
    return lambda *arguments: CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture
def files(tmp_path: Path) -> list[object]:
    (tmp_path / "job.toml").write_text(JOB_TEXT, encoding="utf-8")
    (tmp_path / "rig.toml").write_text(rig_text(), encoding="utf-8")
    return ["--job", tmp_path / "job.toml", "--rig", tmp_path / "rig.toml"]


def _captured(folder: Path, records: int = TURN) -> dict[str, Path]:
    paths = {link: folder / f"{link}.bin" for link in ("S", "M")}
    for link, path in paths.items():
        path.write_bytes(Head(link).lines(records))
    return paths


def _events(turns: float = 1.0) -> list[Event]:
    heads = {link: Head(link) for link in ("S", "M")}
    events: list[Event] = [LinkEvent(link, "open", 0) for link in heads]
    events.append(Command("begin_rotation", 1000))
    time_ns = 0
    for _ in range(int(TURN * turns / 10)):
        time_ns += 100_000_000
        events += [Frame(link, head.lines(10), time_ns) for link, head in heads.items()]
    return [*events, Command("end_rotation", time_ns + 1), Tick(time_ns + 200_000_000)]


def _recorded(folder: Path, events: list[Event], *, spoil: Callable[[bytes], bytes] | None = None) -> Path:
    path = folder / "20260301-101500-fan.mcap"
    session = Session(*parse_pair(JOB_TEXT, rig_text(), "job", "rig"), snapshots_per_s=10.0)
    with Recorder(
        path, start_unix_ns=10**18, job_text=JOB_TEXT, rig_text=rig_text(), snapshots_per_s=10.0
    ) as r:
        for event in events:
            r.event(event)
            if (snapshot := session.feed(event)) is not None:
                encoded = encode(snapshot)
                r.snapshot(spoil(encoded) if spoil else encoded, event.time_ns)
            r.flush_if_due(event.time_ns)
    return path


def test_captured_bytes_give_the_pose_that_the_heads_saw(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    sources = [f"{link}={path}" for link, path in _captured(tmp_path).items()]
    result = livealign("solve", *sources, *files, "--json")
    assert result.exit_code == 0, "not conforming is a result too"
    snapshot = decode(result.stdout)
    assert snapshot.phase == "findings"
    assert snapshot.pose.vertical.offset_mm == pytest.approx(VERTICAL[0], abs=0.003)
    assert snapshot.pose.vertical.slope_mm_per_m == pytest.approx(VERTICAL[1], abs=0.03)
    assert snapshot.pose.horizontal.offset_mm == pytest.approx(HORIZONTAL[0], abs=0.003)
    assert snapshot.pose.horizontal.slope_mm_per_m == pytest.approx(HORIZONTAL[1], abs=0.03)
    assert [x.counters.records for x in snapshot.links] == [TURN, TURN]
    assert {x.state for x in snapshot.links} == {"ended"}
    words = livealign("solve", *sources, *files)
    assert "not conforming" in words.stdout
    assert "near feet" in words.stdout


def test_a_rig_of_files_needs_no_source(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    captured = _captured(tmp_path)
    text = rig_text(**{link: f'{{ kind = "file", path = "{path}" }}' for link, path in captured.items()})
    (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
    result = livealign("solve", *files, "--json")
    assert result.exit_code == 0
    assert decode(result.stdout).pose.vertical.offset_mm == pytest.approx(VERTICAL[0], abs=0.003)


def test_files_of_very_different_length_still_fit_together(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    captured = _captured(tmp_path, 3 * TURN)
    captured["M"].write_bytes(captured["M"].read_bytes()[: len(captured["M"].read_bytes()) * 2 // 3])
    result = livealign("solve", *(f"{k}={p}" for k, p in captured.items()), *files, "--json")
    assert decode(result.stdout).pose.vertical.offset_mm == pytest.approx(VERTICAL[0], abs=0.003)


def test_a_recording_solves_with_the_files_inside_and_gives_every_snapshot(
    livealign: Callable[..., Result], tmp_path: Path
) -> None:
    path = _recorded(tmp_path, _events())
    out = tmp_path / "snapshots.jsonl"
    for source in (path, tmp_path):
        result = livealign("solve", source, "--json", "--snapshots", out)
        assert result.exit_code == 0
        lines = out.read_bytes().splitlines()
        assert lines[-1] == result.stdout.encode().rstrip(b"\n")
        assert [json.loads(x)["sequence"] for x in lines] == list(range(1, len(lines) + 1))
    verified = livealign("solve", path, "--verify")
    assert verified.exit_code == 0
    assert "all the same as recorded" in verified.stdout


def test_another_job_may_be_given_for_a_recording(livealign: Callable[..., Result], tmp_path: Path) -> None:
    path = _recorded(tmp_path, _events())
    job = tmp_path / "other.toml"
    job.write_text(JOB_TEXT.replace("limit_mm_per_m = 0.5", "limit_mm_per_m = 50.0"), encoding="utf-8")
    result = livealign("solve", path, "--job", job, "--json")
    assert decode(result.stdout).verdict.state == "conforming"


def test_verify_names_the_first_snapshot_that_differs(
    livealign: Callable[..., Result], tmp_path: Path
) -> None:
    path = _recorded(tmp_path, _events(), spoil=lambda s: s.replace(b'"sequence":7,', b'"sequence":7,"x":1,'))
    result = livealign("solve", path, "--verify")
    assert result.exit_code == 1
    assert "snapshot 7 differs" in result.stderr
    assert "6 that are the same" in result.stderr
    assert "what stands before is used" not in result.stderr, "the file is whole"


def test_a_torn_recording_is_solved_up_to_where_it_is_whole(
    livealign: Callable[..., Result], tmp_path: Path
) -> None:
    path = _recorded(tmp_path, _events())
    whole = len(list(Recording(path).items()))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert 0 < len(list(Recording(path).items())) < whole
    result = livealign("solve", path, "--json")
    assert result.exit_code == 0
    assert "torn" in result.stderr
    assert livealign("solve", path, "--verify").exit_code == 0


def test_no_pose_is_told_with_its_reason(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    few = livealign("solve", *(f"{k}={p}" for k, p in _captured(tmp_path, 5).items()), *files)
    assert few.exit_code == 1
    assert "no pose can be had" in few.stderr
    assert "turn" in few.stderr.lower()
    for path in _captured(tmp_path).values():
        path.write_bytes(b"nothing that means anything\n" * 9)
    garbage = livealign("solve", *(f"{k}={tmp_path / k}.bin" for k in "SM"), *files)
    assert garbage.exit_code == 1
    assert "not one record could be read" in garbage.stderr


def _sources(captured: dict[str, Path]) -> list[str]:
    return [f"{link}={path}" for link, path in captured.items()]


def test_monte_carlo_stands_beside_the_linear_uncertainty(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    sources = _sources(_captured(tmp_path))
    plain = json.loads(livealign("solve", *sources, *files, "--json").stdout)
    asked = ("solve", *sources, *files, "--monte-carlo", 3000, "--seed", 4)
    both = json.loads(livealign(*asked, "--json").stdout)
    assert both["snapshot"] == plain, "without --monte-carlo the snapshot alone is printed"
    found = both["monte_carlo"]
    assert (found["trials"], found["seed"], found["linear_is_good_enough"]) == (3000, 4, True)
    budget = {line["quantity"]: line["u"] for line in plain["budget"] if "gap" not in line["quantity"]}
    assert {f["quantity"]: f["u_linear"] for f in found["figures"]} == pytest.approx(budget, rel=2e-3)
    for f in found["figures"]:
        # 3000 trials know u to 1.3 % and an end of the interval to 5 %.
        assert f["u_monte_carlo"] == pytest.approx(f["u_linear"], rel=0.06)
        assert f["half_width_linear"] == pytest.approx(1.96 * f["u_linear"], rel=1e-4)
        assert f["half_width_monte_carlo"] == pytest.approx(f["half_width_linear"], rel=0.12)
        assert f["low"] < 0.0 < f["high"]
    said = livealign(*asked)
    assert said.exit_code == 0
    assert "3000 trials, seed 4" in said.stdout
    assert "Linearising is good enough" in said.stdout
    assert said.stderr == "", "progress is for a terminal only"
    assert livealign(*asked).stdout == said.stdout, "the same seed gives the same"
    assert livealign(*asked[:-1], 5).stdout != said.stdout


def test_monte_carlo_says_when_linearising_is_not_good_enough(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    # Nobody knows these angle zeros: ten degrees turn sideways into down by 1 - cos, which no linear model has.
    rig = rig_text().replace("zero_u_deg = 0.2", "zero_u_deg = 10.0")
    assert rig.count("zero_u_deg = 10.0") == 2
    (tmp_path / "rig.toml").write_text(rig, encoding="utf-8")
    asked = ("solve", *_sources(_captured(tmp_path)), *files, "--monte-carlo", 3000)
    found = json.loads(livealign(*asked, "--json").stdout)["monte_carlo"]
    assert found["linear_is_good_enough"] is False
    far = next(f for f in found["figures"] if f["quantity"] == "vertical offset")
    assert far["linear_is_good_enough"] is False
    # The fit sees 0.300 mm times cos(error): it is short, by 0.300 (1 - exp(-zero_u^2 / 2)) on average.
    short = VERTICAL[0] * (1.0 - np.exp(-(np.radians(10.0) ** 2) / 2.0))
    assert (far["low"] + far["high"]) / 2 > short / 2
    words = livealign(*asked).stdout
    assert "not good enough" in words
    assert re.search(r"^  vertical offset: -0\.\d+ to \+0\.\d+ mm$", words, re.MULTILINE)


def test_monte_carlo_of_a_recording_is_of_its_last_rotation(
    livealign: Callable[..., Result], tmp_path: Path
) -> None:
    events = _events()
    path = _recorded(tmp_path, [*events, Command("adjust", events[-1].time_ns + 1, plane="vertical")])
    both = json.loads(livealign("solve", path, "--monte-carlo", 100, "--json").stdout)
    assert both["snapshot"]["phase"] == "adjust"
    assert both["snapshot"]["budget"] == []
    assert len(both["monte_carlo"]["figures"]) == 8


def test_monte_carlo_without_a_pose_draws_nothing(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    asked = ("solve", *_sources(_captured(tmp_path, 5)), *files, "--monte-carlo", 100)
    result = livealign(*asked)
    assert (result.exit_code, "nothing to draw" in result.stdout) == (1, True)
    assert "no pose can be had" in result.stderr
    assert json.loads(livealign(*asked, "--json").stdout)["monte_carlo"] is None


def test_what_is_not_observable_is_told_with_what_to_add(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    # Head S alone, as if head M had never been bought.
    links, only, _ = rig_text().split("[[heads]]")
    rig = links[: links.index('[[links]]\nname = "M"')] + "[[heads]]" + only
    job = re.sub(r'\[\[distances\]\]\nfrom = "head S"\nto = "head M"\n.*\n.*\n', "", JOB_TEXT)
    assert "head M" not in job + rig
    (tmp_path / "rig.toml").write_text(rig, encoding="utf-8")
    (tmp_path / "job.toml").write_text(job, encoding="utf-8")
    result = livealign("solve", f"S={_captured(tmp_path)['S']}", *files)
    assert result.exit_code == 1
    told = " ".join(result.stdout.split())
    assert "not observable: vertical offset, vertical slope, horizontal offset, horizontal slope" in told
    assert "there is only one detector. Add one on the other shaft" in told
    assert "there is only one detector. Add one on the other shaft" in result.stderr
    assert "Uncertainty U" not in result.stdout, "what is not known has no budget"


@pytest.mark.parametrize("options", [("--monte-carlo", 99), ("--monte-carlo", 1_000_001), ("--seed", 1)])
def test_wrong_trials_are_refused(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path, options: tuple[object, ...]
) -> None:
    assert livealign("solve", *_sources(_captured(tmp_path, 5)), *files, *options).exit_code == 2


def test_the_words_say_what_spoils_the_result_and_what_would_help(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    heads = {link: Head(link) for link in ("S", "M")}
    for link, head in heads.items():
        lines = head.lines(TURN).splitlines(keepends=True)
        if link == "S":
            lines[200:203] = [_knocked(line) for line in lines[200:203]]
        (tmp_path / f"{link}.bin").write_bytes(b"".join(lines))
    words = livealign("solve", *(f"{k}={tmp_path / k}.bin" for k in "SM"), *files).stdout
    assert re.search(r"^  vertical offset .* U 0\.00\d+ mm, k \d\.\d\d; gains \d+ %$", words, re.MULTILINE)
    assert re.search(r"^  worst foot: far feet, \w+  U ", words, re.MULTILINE)
    assert "To shrink gains: calibrate the detectors" in words
    assert re.search(r"^  fast turning 60 deg/s, whole rig: ", words, re.MULTILINE)
    assert "Remedy: turn more slowly" in words
    assert re.search(r"3 left out \(largest [+-]\d\.\d+ mm: head S", " ".join(words.split()))
    assert max(map(len, words.splitlines())) <= 80


def _knocked(line: bytes) -> bytes:
    """The same record, its spot 0.02 mm off: too little to be a jump, with the checksum that belongs to it."""
    decoder = DelimitedFormat(DelimitedOptions(columns=COLUMNS, checksum="xor8"))
    record = decoder.decode(line)
    fields = {name: float(column[0]) for name, column in record.columns.items()}
    return decoder.encode({**fields, "spot": fields["spot"] + 20.0})


def test_wrong_sources_are_refused(
    livealign: Callable[..., Result], files: list[object], tmp_path: Path
) -> None:
    captured = _captured(tmp_path)
    assert livealign("solve").exit_code == 2
    assert livealign("solve", f"S={captured['S']}").exit_code == 2
    lacking = livealign("solve", f"S={captured['S']}", *files)
    assert (lacking.exit_code, "Add: M=FILE" in lacking.stderr) == (1, True)
    strange = livealign("solve", f"S={captured['S']}", f"M={captured['M']}", f"Q={captured['M']}", *files)
    assert (strange.exit_code, "no link 'Q'" in strange.stderr) == (1, True)
    gone = livealign("solve", f"S={captured['S']}", f"M={tmp_path / 'gone'}", *files)
    assert (gone.exit_code, "cannot be read" in gone.stderr) == (1, True)
    nothing = livealign("solve", captured["S"])
    assert (nothing.exit_code, "no livealign recording" in nothing.stderr) == (1, True)
    assert livealign("solve", f"S={captured['S']}", *files, "--verify").exit_code == 2


def test_drivers_are_listed(livealign: Callable[..., Result]) -> None:
    found = json.loads(livealign("drivers", "--json").stdout)
    assert {"file", "serial", "tcp"} <= set(found["drivers"])
    assert "delimited" in found["formats"]
    assert "  tcp" in livealign("drivers").stdout.splitlines()


def test_a_recording_with_another_rigs_file_is_refused_in_words(
    tmp_path: Path, livealign: Callable[..., Result]
) -> None:
    path = _recorded(tmp_path, _events())
    other = tmp_path / "other.toml"
    other.write_text(
        rig_text().replace('name = "S"', 'name = "T"').replace('link = "S"', 'link = "T"'), encoding="utf-8"
    )
    told = livealign("solve", path, "--rig", other)
    assert told.exit_code == 1
    assert "a link 'S', which the rig does not have" in told.output
    assert "The links of this one: T, M." in told.output
