"""What came from rigs of every kind gives what it has always given."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from corpus.captures import FOLDER, Capture, differences, plain_of, play, read, read_expected, write
from livealign.session.events import Command, Event
from livealign.stream.contracts import Frame, LinkEvent

CAPTURES = sorted(p for p in FOLDER.iterdir() if p.is_dir())


@pytest.mark.parametrize("folder", CAPTURES, ids=lambda p: p.name)
def test_a_capture_gives_what_is_expected(folder: Path) -> None:
    """If this is meant to change: python tests/corpus/run.py rebuild, and look at what it shows."""
    found = list(differences(read_expected(folder), [plain_of(s) for s in play(read(folder))]))
    assert found == []


@pytest.mark.parametrize("folder", CAPTURES, ids=lambda p: p.name)
def test_a_capture_tells_a_person_what_it_is(folder: Path) -> None:
    header = read(folder).header
    assert len(header.split()) > 8
    assert (folder / "capture.txt").stat().st_size < 120_000


EVENTS: st.SearchStrategy[Event] = st.one_of(
    st.builds(
        Frame,
        st.sampled_from(["S", "head 2.x"]),
        st.binary(max_size=60),
        st.integers(0, 10**9).map(lambda n: 1000 * n),
    ),
    st.builds(
        LinkEvent,
        st.sampled_from(["S", "head 2.x"]),
        st.sampled_from(["connecting", "open", "lost", "refused", "ended"]),
        st.integers(0, 10**9).map(lambda n: 1000 * n),
        st.text(max_size=20),
        st.integers(0, 9),
    ),
    st.builds(
        Command,
        st.sampled_from(["begin_rotation", "note"]),
        st.integers(0, 10**9).map(lambda n: 1000 * n),
        st.sampled_from(["vertical", None]),
        st.booleans(),
        st.text(max_size=20),
    ),
)


@given(st.lists(EVENTS, max_size=8))
def test_a_capture_is_read_as_it_was_written(
    tmp_path_factory: pytest.TempPathFactory, events: list[Event]
) -> None:
    folder = tmp_path_factory.mktemp("capture")
    capture = Capture("What it is.", tuple(events), 'name = "é"\n', "")
    write(folder, capture)
    assert read(folder) == capture


def test_differences_are_found_and_arithmetic_is_forgiven() -> None:
    one = {"a": 1.0, "b": [1, "x", None], "c": {"d": True}}
    assert list(differences(one, {"a": 1.0000001, "b": [1, "x", None], "c": {"d": True}})) == []
    changed = {"a": 1.001, "b": [2, "x", 0.0], "c": {"d": False, "e": 1}}
    assert [line.split(":")[0] for line in differences(one, changed)] == ["a", "b[0]", "b[2]", "c.d", "c.e"]
