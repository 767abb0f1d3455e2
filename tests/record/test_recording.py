"""A recording gives back what was put in, whole or torn."""

import base64
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mcap.reader import make_reader

from livealign.errors import PersonError
from livealign.record.layout import SCHEMAS, decode_event, encode_event, topic_of
from livealign.record.reader import RecordedSnapshot, Recording, find_recording
from livealign.record.writer import Recorder, recording_path
from livealign.session.events import Command, Event, Tick
from livealign.stream.contracts import Frame, LinkEvent

START_NS = 1_772_000_000_000_000_000
STEP_NS = 10_000_000

TIMES = st.integers(0, 10**15)
TEXTS = st.text(max_size=40)
EVENTS: st.SearchStrategy[Event] = st.one_of(
    st.builds(Frame, st.sampled_from(["S", "head 2.x"]), st.binary(max_size=200), TIMES),
    st.builds(
        LinkEvent,
        st.sampled_from(["S", "M"]),
        st.sampled_from(["connecting", "open", "silent", "lost", "refused", "ended"]),
        TIMES,
        TEXTS,
        st.integers(0, 10**6),
    ),
    st.builds(
        Command,
        st.sampled_from(["begin_rotation", "end_rotation", "adjust", "hold", "note"]),
        TIMES,
        st.sampled_from(["vertical", "horizontal", None]),
        st.booleans(),
        TEXTS,
    ),
    st.builds(Tick, TIMES),
)


def _write(path: Path, number: int = 120, *, finish: bool = True) -> list[Event | RecordedSnapshot]:
    """A short session: now and then a tick or a command, and a snapshot after every fifth event."""
    items: list[Event | RecordedSnapshot] = []
    recorder = Recorder(path, start_unix_ns=START_NS, job_text="job é", rig_text="rig", snapshots_per_s=20.0)
    for i in range(number):
        time_ns = i * STEP_NS
        event: Event = Frame("S" if i % 2 else "M", b"%d,%d\n" % (i, i * i), time_ns)
        if i % 10 == 0:
            event = Tick(time_ns) if i % 20 else Command("note", time_ns, text=f"é {i}")
        recorder.event(event)
        items.append(event)
        if i % 5 == 0:
            recorded = RecordedSnapshot(b'{"sequence":%d}' % i, time_ns)
            recorder.snapshot(recorded.encoded, time_ns)
            items.append(recorded)
        recorder.flush_if_due(time_ns)
    recorder.close() if finish else recorder.abandon()
    return items


@given(EVENTS)
def test_every_event_survives_the_way_through_a_message(event: Event) -> None:
    assert decode_event(topic_of(event), encode_event(event), event.time_ns) == event


@pytest.mark.parametrize(
    ("topic", "damaged"),
    [
        ("frames/S", b'{"payload":["MSwy"]}'),
        ("links/S", b'{"state":"opun","detail":"","dropped":0}'),
        ("links/S", b'{"state":"open","detail":"","dropped":-1}'),
        ("links/S", b'{"state":"open","detail":0,"dropped":0}'),
        ("commands", b'{"name":"a-just","plane":"vertical","on":true,"text":""}'),
        ("commands", b'{"name":"adjust","plane":[],"on":true,"text":""}'),
        ("commands", b'{"name":"hold","plane":null,"on":"yes","text":""}'),
    ],
)
def test_damage_that_is_still_good_json_is_no_event(topic: str, damaged: bytes) -> None:
    with pytest.raises((ValueError, TypeError)):
        decode_event(topic, damaged, 0)


@given(EVENTS)
def test_messages_keep_to_their_schemas(event: Event) -> None:
    schema = SCHEMAS[topic_of(event).partition("/")[0]]
    assert sorted(json.loads(encode_event(event))) == sorted(schema["required"])


def test_what_was_recorded_comes_back_in_order(tmp_path: Path) -> None:
    path = tmp_path / "r.mcap"
    items = _write(path)
    recording = Recording(path)
    assert (recording.job_text, recording.rig_text) == ("job é", "rig")
    assert recording.header.start_unix_ns == START_NS
    assert recording.header.start == "2026-02-25T06:13:20+00:00"
    assert recording.header.snapshots_per_s == 20.0
    assert list(recording.items()) == items
    assert recording.torn is None
    assert list(recording.items()) == items, "it can be read again"


def test_other_tools_can_read_it(tmp_path: Path) -> None:
    path = tmp_path / "r.mcap"
    items = _write(path)
    with path.open("rb") as f:
        reader = make_reader(f)
        assert {m.name for m in reader.iter_metadata()} == {"session", "job.toml", "rig.toml"}
        messages = list(reader.iter_messages())
    assert len(messages) == len(items)
    assert [m.sequence for _, _, m in messages] == list(range(len(items)))
    schema, channel, message = messages[2]
    assert schema is not None
    assert (schema.encoding, channel.topic, channel.message_encoding) == ("jsonschema", "frames/S", "json")
    assert base64.b64decode(json.loads(message.data)["payload"]) == b"1,1\n"
    assert message.log_time == START_NS + STEP_NS


def test_a_file_torn_anywhere_gives_what_stands_before(tmp_path: Path) -> None:
    whole = tmp_path / "r.mcap"
    items = _write(whole)
    data = whole.read_bytes()
    torn = tmp_path / "torn.mcap"
    text = data.index(b"rig", data.index(b"rig.toml") + len("rig.toml"))
    header = text + len("rig")
    """The rig's text is the last of the header."""
    lengths = []
    for end in range(0, len(data), 61):
        torn.write_bytes(data[:end])
        if end < header:
            with pytest.raises(PersonError, match="no livealign recording"):
                Recording(torn)
            continue
        recording = Recording(torn)
        got = list(recording.items())
        assert got == items[: len(got)]
        assert recording.torn or len(got) == len(items)
        lengths.append(len(got))
    assert lengths == sorted(lengths)
    assert lengths[-1] == len(items)


def test_a_page_of_zeros_inside_gives_what_stands_before(tmp_path: Path) -> None:
    whole = tmp_path / "r.mcap"
    items = _write(whole, 200)
    data = whole.read_bytes()
    for start in range(1024, len(data), 499):
        damaged = tmp_path / "d.mcap"
        damaged.write_bytes(data[:start] + bytes(256) + data[start + 256 :])
        recording = Recording(damaged)
        got = list(recording.items())
        assert got == items[: len(got)]


@given(at=st.integers(0, 10**6), bits=st.integers(1, 255))
def test_a_flipped_byte_never_crashes_and_never_changes_what_is_read(
    at: int, bits: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("flip")
    whole = folder / "r.mcap"
    items = _write(whole, 60)
    data = bytearray(whole.read_bytes())
    data[at % len(data)] ^= bits
    whole.write_bytes(data)
    try:
        recording = Recording(whole)
    except PersonError:
        return
    if recording.header.start_unix_ns != START_NS:
        return  # the header carries no checksum
    got = list(recording.items())
    assert got == items[: len(got)]


def test_what_was_flushed_is_there_though_the_file_was_never_finished(tmp_path: Path) -> None:
    path = tmp_path / "r.mcap"
    recorder = Recorder(path, start_unix_ns=START_NS, job_text="j", rig_text="r", snapshots_per_s=50.0)
    recorder.event(Tick(0))
    recorder.flush_if_due(100_000_000)
    recorder.event(Tick(150_000_000))
    recorder.flush_if_due(199_999_999)
    recording = Recording(path)
    assert list(recording.items()) == [Tick(0)]
    assert recording.torn is not None
    recorder.close()
    assert list(recording.items()) == [Tick(0), Tick(150_000_000)]
    assert recording.torn is None


def test_what_is_no_recording_is_refused_in_words(tmp_path: Path) -> None:
    for content in (b"", b"hello", b"\x89MCAP0\r\n", bytes(1000)):
        path = tmp_path / "x.mcap"
        path.write_bytes(content)
        with pytest.raises(PersonError, match="no livealign recording"):
            Recording(path)
    with pytest.raises(PersonError, match="cannot be read"):
        Recording(tmp_path / "none.mcap")


def test_a_recording_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "r.mcap"
    _write(path)
    before = path.read_bytes()
    with pytest.raises(PersonError, match="cannot be written"):
        _write(path)
    assert path.read_bytes() == before


def test_a_folder_must_hold_one_recording(tmp_path: Path) -> None:
    with pytest.raises(PersonError, match="no recording"):
        find_recording(tmp_path)
    (tmp_path / "a.mcap").touch()
    assert find_recording(tmp_path) == tmp_path / "a.mcap"
    (tmp_path / "b.mcap").touch()
    with pytest.raises(PersonError, match=r"a\.mcap, b\.mcap"):
        find_recording(tmp_path)


def test_a_recording_is_named_by_its_start_and_job() -> None:
    name = recording_path(Path("r"), "Fan 2 / north", datetime(2026, 3, 1, 10, 15, 0, tzinfo=UTC)).name
    assert name == "20260301-101500-fan-2-north.mcap"
