"""What is written into a rig file changes what it must and nothing else."""

import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livealign.config.load import ConfigErrors, parse_rig
from livealign.config.rig import Calibration
from livealign.config.rig_edit import Change, changed, difference, replace_text
from livealign.errors import PersonError

FOLDER = Path(__file__).parents[2] / "docs" / "examples"
EXAMPLES = [FOLDER / name for name in ("rig.toml", "rig-mixed.toml", "rig-rim-and-face.toml", "rig-ble.toml")]
ENTRY = Calibration(what="gain", on=date(2026, 5, 31), by="Kim", note="a micrometer, ±0.003 mm")


def texts(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_every_other_line_of_every_example_stays(path: Path) -> None:
    text = texts(path)
    rig = parse_rig(text, path.name)
    changes = [
        Change(h.name, d.name, {"gain": 1.25, "gain_u": 0.0011, "linearity": None}, [ENTRY])
        for h in rig.heads
        for d in h.detectors
    ]
    changes += [Change(h.name, None, {"zero_deg": -0.3}) for h in rig.heads if h.angle]
    after = changed(text, changes, path.name)
    for line in difference(text, after):
        key = line[1:].split("=")[0].strip()
        assert key in {"gain", "gain_u", "linearity", "zero_deg", "calibrations", "]", "{what"}, line
    for head in parse_rig(after, path.name).heads:
        for d in head.detectors:
            assert (d.gain, d.gain_u, d.linearity, d.calibrations[-1]) == (1.25, 0.0011, None, ENTRY)
        assert head.angle is None or head.angle.zero_deg == -0.3


@settings(max_examples=6)  # the checks of the whole file are the cost
@given(
    comments=st.lists(
        st.tuples(
            st.integers(0, 200),
            st.text(
                st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_characters="\x7f\x85"),
                max_size=12,
            ),
        ),
        max_size=6,
    ),
    crlf=st.booleans(),
    gain=st.floats(0.5, 2.0),
)
def test_comments_anywhere_stay_where_they_are(
    comments: list[tuple[int, str]], crlf: bool, gain: float
) -> None:
    lines = texts(FOLDER / "rig-mixed.toml").splitlines()
    for at, words in comments:
        lines.insert(at % (len(lines) + 1), f"# {words}")
    text = ("\r\n" if crlf else "\n").join(lines) + "\n"
    after = changed(text, [Change("head S", "position", {"gain": gain}, [ENTRY])], "rig.toml")
    kept = [line for line in after.splitlines() if line.startswith("# ")]
    assert kept == [line for line in lines if line.startswith("# ")]
    assert parse_rig(after, "r").heads[0].detectors[0].gain == gain


def test_a_value_keeps_its_comment_and_the_log_its_form_and_length() -> None:
    text = texts(FOLDER / "rig-mixed.toml")
    after = changed(text, [Change("head M", "position", {"sag_mm": 0.061})], "r")
    assert "sag_mm = 0.061                   # so at 6 o'clock" in after
    table = '\n[[heads.detectors.calibrations]]\nwhat = "sag"\non = 2020-01-01\nby = "Lee"\n'
    logged = changed(text + table, [Change("head M", "position", {}, [ENTRY])], "r")
    assert logged.startswith(text + table)
    assert logged.count("[[heads.detectors.calibrations]]") == 2
    full = changed(text, [Change("head M", "position", {}, [ENTRY])] * 25, "r")
    assert len(tomllib.loads(full)["heads"][1]["detectors"][0]["calibrations"]) == 20


def test_what_would_be_wrong_is_not_written(tmp_path: Path) -> None:
    text = texts(FOLDER / "rig.toml")
    with pytest.raises(ConfigErrors, match="as it would become"):
        changed(text, [Change("head S", "position", {"gain": -1.0})], "rig.toml")
    with pytest.raises(PersonError, match='no head "head X"'):
        changed(text, [Change("head X", "position", {"gain": 1.0})], "rig.toml")
    with pytest.raises(PersonError, match='no detector "dial"'):
        changed(text, [Change("head S", "dial", {"gain": 1.0})], "rig.toml")


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path) -> None:
    real, link = tmp_path / "rig.toml", tmp_path / "link.toml"
    real.write_text("before", encoding="utf-8")
    real.chmod(0o640)
    link.symlink_to(real)
    replace_text(link, "before", "after\r\n")
    assert real.read_bytes() == b"after\r\n"
    assert link.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    with pytest.raises(PersonError, match="changed by somebody else"):
        replace_text(real, "before", "other")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link.toml", "rig.toml"]
