"""What a stream is and what its numbers mean, told from its bytes alone."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from listen.motion import stream
from livealign.listen.formats import guess_formats, why_unreadable
from livealign.listen.heard import Heard
from livealign.listen.names import plain_name, unique_names
from livealign.listen.roles import guess_roles

KINDS = ("delimited", "json-lines", "senml", "sentence", "binary")
STREAMS = 4
"""Of each kind. Of 300 others (seeds from 9000), drawn the same way and not looked at while the guessing was
written, the format was right in 297, every role and unit in 291; of the 59 binary ones all was right in 53."""


@pytest.mark.parametrize("kind", KINDS)
def test_streams_of_many_heads_are_understood(kind: str) -> None:
    wrong: Counter[str] = Counter()
    for seed in range(STREAMS):
        true = stream(1000 + seed, kind)
        guess = guess_formats(true.heard)[0]
        told = guess.decoded
        found = guess_roles(guess.shape.fields, told.columns, told.arrival_s, turned=True)
        want = [(true.roles[name], true.units.get(name)) for name in _in_order(true, guess)]
        if guess.shape.kind != kind or guess.shape.options.get("checksum", "none") != _checksum(true):
            wrong["format"] += 1
        elif [c.role for c in found] != [role for role, _ in want]:
            wrong["roles"] += 1
        elif any(unit not in (None, c.unit) for c, (_, unit) in zip(found, want, strict=True)):
            wrong["units"] += 1
        assert guess.confidence > 0.8
        assert guess.reasons
    assert wrong["format"] == 0
    assert wrong.total() <= 1


def _in_order(true, guess) -> list[str]:
    """The true names of the fields that were found, in their order."""
    if true.kind != "sentence" or guess.shape.kind != "sentence":
        return list(true.roles)
    at = {place: name for name, place in true.options["fields"].items()}
    return [at[place] for place in guess.shape.options["fields"].values()]


def _checksum(true) -> str:
    return "none" if true.kind == "sentence" else true.options.get("checksum", "none")


def text(lines: list[str]) -> Heard:
    return Heard(tuple(f"{line}\n".encode() for line in lines), tuple(0.02 * k for k in range(len(lines))))


def best(heard: Heard):
    guess = guess_formats(heard)[0]
    return guess, guess_roles(guess.shape.fields, guess.decoded.columns, guess.decoded.arrival_s)


def test_names_that_the_device_gives_are_taken_and_weigh_more_than_looks() -> None:
    rng = np.random.default_rng(1)
    lines = [
        f'{{"head": {{"tilt_deg": {31.4 + 0.02 * rng.normal():.2f}, "x_um": {840 + 2 * rng.normal():.1f}}}, "vbat": 3.92}}'
        for _ in range(60)
    ]
    guess, columns = best(text(lines))
    assert guess.shape.options == {
        "fields": {"tilt_deg": "head.tilt_deg", "x_um": "head.x_um", "vbat": "vbat"}
    }
    assert [(c.role, c.unit) for c in columns] == [("angle", "deg"), ("position", "um"), ("battery", "V")]


def test_without_a_turn_and_without_names_it_is_said_that_angle_and_position_are_not_sure() -> None:
    rng = np.random.default_rng(2)
    lines = [f"{12.3 + 0.03 * rng.normal():.2f},{-1.21 + 0.002 * rng.normal():.3f}" for _ in range(60)]
    _, columns = best(text(lines))
    assert any("turn the shafts" in doubt for c in columns for doubt in c.doubts)


def test_a_wrap_at_a_full_turn_tells_the_angle_and_a_wrap_at_a_power_of_two_the_counter() -> None:
    lines = [
        f"{k % 256};{(350.0 + 0.5 * k) % 360.0:.1f};{0.4 * np.cos(k / 40) + 0.001 * (k % 3):.3f}"
        for k in range(400)
    ]
    _, (counter, angle, _) = best(text(lines))
    assert (counter.role, counter.bits) == ("counter", 8)
    assert angle.role == "angle"
    assert "starts again after 360" in angle.reasons[0]


def test_damaged_records_are_told_and_do_not_disturb() -> None:
    true = stream(7, "delimited")
    data = bytearray(true.heard.data)
    rng = np.random.default_rng(3)
    for at in rng.integers(0, len(data), len(data) // 800):
        data[at] = rng.integers(0, 256)
    guess = guess_formats(Heard((bytes(data),)))[0]
    assert guess.shape.kind == "delimited"
    assert any("cannot be read, the last" in doubt for doubt in guess.doubts)


def test_binary_without_a_checksum_is_never_sure() -> None:
    rng = np.random.default_rng(4)
    rows = [
        b"\xaa\x55" + k.to_bytes(2, "little") + int(900 + 9 * rng.normal()).to_bytes(2, "little")
        for k in range(300)
    ]
    guess = guess_formats(Heard((b"".join(rows),)))[0]
    assert guess.shape.options["sync"] == "aa55"
    assert guess.confidence < 0.7
    assert any("no checksum" in doubt for doubt in guess.doubts)


def test_messages_are_read_without_line_ends_and_as_records() -> None:
    true = stream(11, "json-lines")
    bare = tuple(line for line in true.heard.data.split(b"\n") if line)
    guess = guess_formats(Heard(bare, messages=True))[0]
    assert (guess.shape.kind, guess.shape.add_line_end) == ("json-lines", True)
    packed = tuple(k.to_bytes(4, "big") + bytes([k % 7 * 3]) for k in range(100_000, 100_060))
    guess = guess_formats(Heard(packed, messages=True))[0]
    assert (guess.shape.options["framing"], guess.shape.options["layout"][:2]) == ("message", ">I")


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "nothing came"),
        (b"12", "too few"),
        (bytes(np.random.default_rng(5).integers(0, 256, 4000, dtype=np.uint8)), "wrong baud rate"),
        (b"12,53;-133,2\n12,54;-133,1\n" * 20, "decimal commas"),
        (b"12.5;ok;3\n12.6;ok;4\n" * 20, "'ok'"),
        (b"the quick brown fox\njumps over it\n" * 20, "not numbers"),
    ],
)
def test_what_cannot_be_read_is_explained(data: bytes, why: str) -> None:
    heard = Heard((data,) if data else ())
    assert guess_formats(heard) == []
    assert why in why_unreadable(heard)


tokens = st.sampled_from(
    [b"{", b"}", b"[", b'"n":', b'"v":1e999', b"$IIXDR,A,", b"*00", b",", b";", b"\n", b"-", b"1e400", b"nan", b"0",
     b"\xaa\x55", b"\x00", b"\xc0", b"\xdb", b"a:", b"a=1", b"#", b"\xff" * 8, b"7" * 40, b" ", b"\r\n"]
)  # fmt: skip


@settings(max_examples=30)
@given(
    data=st.lists(st.one_of(tokens, st.binary(max_size=12)), max_size=60).map(lambda x: b"".join(x * 3)),
    messages=st.booleans(),
)
@example(data=b"[" * 5000 + b"\n" * 3, messages=False)
@example(data=b'{"a":1' + b"0" * 400 + b"}\n{}\n" * 4, messages=True)
@example(data=b"\x02\x00" * 40, messages=True)
@example(data=b"1e308\n-1e308\n" * 20, messages=False)
def test_no_bytes_whatever_bring_it_down(data: bytes, messages: bool) -> None:
    heard = Heard(tuple(data[k : k + 16] for k in range(0, len(data), 16)), messages=messages)
    for guess in guess_formats(heard):
        found = guess_roles(guess.shape.fields, guess.decoded.columns, np.empty(0))
        assert len(found) == len(guess.shape.fields)
        assert 0 <= guess.confidence <= 1
    assert why_unreadable(heard)


@settings(max_examples=40)
@given(st.lists(st.text(max_size=80), max_size=8))
def test_any_name_becomes_one_that_files_take(names: list[str]) -> None:
    from livealign_drivers.delimited import DelimitedOptions

    plain = unique_names(plain_name(n) for n in names)
    if plain:
        assert DelimitedOptions(columns=tuple(plain)).columns == tuple(plain)
