"""One link's bytes as records in time, with everything lost counted."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.stream.reader import Batch, LinkReader, RateMeter
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions

COLUMNS = ("count", "ms", "spot")


def form() -> DelimitedFormat:
    return DelimitedFormat(DelimitedOptions(columns=COLUMNS, checksum="xor8"))


def reader(
    *,
    clock: tuple[str, str, int | None] | None = ("ms", "ms", 32),
    sequence: tuple[str, int] | None = ("count", 16),
    rate_hz: float | None = None,
    device_time: bool = False,
) -> LinkReader:
    return LinkReader(
        form(), clock=clock, sequence=sequence, nominal_rate_hz=rate_hz, device_time=device_time
    )


def line(count: int, *, ms: float | None = None) -> bytes:
    ms = 10.0 * count if ms is None else ms
    return form().encode({"count": count % 65536, "ms": ms, "spot": count})


def lines(*counts: int) -> bytes:
    return b"".join(line(c) for c in counts)


def spoilt(one: bytes) -> bytes:
    return one.replace(b",", b"?", 1)


def spots(batch: Batch | None) -> list[float]:
    return [] if batch is None else batch.columns["spot"].tolist()


def test_a_gap_in_the_sequence_is_counted() -> None:
    link = reader()
    assert spots(link.read(lines(1, 2, 5, 6, 9), 1.0)) == [1, 2, 5, 6, 9]
    assert (link.records, link.missed, link.repeated, link.bad) == (5, 4, 0, 0)
    assert link.bytes == len(lines(1, 2, 5, 6, 9))


def test_a_gap_between_reads_is_counted_and_the_wrap_around_is_none() -> None:
    link = reader()
    link.read(lines(65534), 1.0)
    link.read(lines(65537), 1.1)
    assert link.missed == 2
    link.read(lines(65538), 1.2)
    assert link.missed == 2


def test_repeated_records_are_dropped_and_counted() -> None:
    link = reader()
    assert spots(link.read(lines(1, 2, 2, 2, 3), 1.0)) == [1, 2, 3]
    assert link.read(lines(3), 1.1) is None
    assert spots(link.read(lines(3, 4), 1.2)) == [4]
    assert (link.records, link.missed, link.repeated) == (4, 0, 4)


@given(st.sets(st.integers(1, 38), max_size=12), st.lists(st.integers(1, 600), max_size=8))
def test_an_unreadable_line_is_bad_and_not_missed_as_well_wherever_payloads_end(
    bad: set[int], cuts: list[int]
) -> None:
    data = b"".join(spoilt(line(c)) if c in bad else line(c) for c in range(40))
    link = reader()
    got = []
    edges = [0, *sorted({c for c in cuts if c < len(data)}), len(data)]
    for i, (start, end) in enumerate(pairwise(edges)):
        got += spots(link.read(data[start:end], 1.0 + i))
    assert got == [c for c in range(40) if c not in bad]
    assert (link.bad, link.missed) == (len(bad), 0)


def test_bad_lines_and_lost_ones_are_told_apart() -> None:
    link = reader()
    link.read(lines(0, 1) + spoilt(line(2)) + lines(3, 7), 1.0)
    assert (link.bad, link.missed) == (1, 3)
    assert "where a number should be" in link.last_bad or "checksum" in link.last_bad


def test_noise_on_the_line_hides_no_later_loss() -> None:
    link = reader()
    link.read(lines(0, 1) + b"#!? not a record\n?\n" + lines(2), 1.0)
    link.read(lines(3, 4), 1.1)
    link.read(lines(5, 8), 1.2)
    assert link.missed == 2


def test_an_interruption_is_no_gap_and_half_a_line_is_forgotten() -> None:
    link = reader()
    link.read(lines(1, 2) + line(3)[:5], 1.0)
    link.interrupted()
    assert spots(link.read(line(500)[4:] + lines(501, 502), 60.0)) == [501, 502]
    assert (link.bad, link.missed) == (0, 0)


def test_a_sequence_counter_of_64_bits_drops_nothing() -> None:
    link = reader(sequence=("count", 64))
    assert spots(link.read(lines(1, 2, 2, 3, 6), 1.0)) == [1, 2, 3, 6]
    assert (link.missed, link.repeated) == (2, 1)


def test_a_restarted_counter_is_no_loss() -> None:
    link = LinkReader(form(), clock=None, sequence=("count", 32), nominal_rate_hz=None, device_time=False)
    link.read(form().encode({"count": 500_000, "ms": 1, "spot": 1}), 1.0)
    link.read(form().encode({"count": 0, "ms": 1, "spot": 1}), 1.1)
    link.read(form().encode({"count": 700_000, "ms": 1, "spot": 1}), 1.2)
    assert link.missed == 0
    assert link.records == 3


def test_numbered_records_at_a_stated_rate_are_a_clock_that_survives_losses_and_a_wrong_rate() -> None:
    """Regressing on the count of arrivals would be seconds off after the outage."""
    rng = np.random.default_rng(3)
    link = reader(clock=None, sequence=("count", 16), rate_hz=100.0)
    worst = 0.0
    for block in range(1500):
        numbers = [65_000 + 2 * block, 65_001 + 2 * block]
        true_s = 0.0099 * (np.array(numbers) - 65_000)  # 1 % faster than stated
        if 10.0 < true_s[0] < 12.0 or rng.random() < 0.01:
            continue
        batch = link.read(lines(*numbers), true_s[1] + 0.002 + float(rng.exponential(0.004)))
        assert batch is not None
        if true_s[0] > 5.0:
            worst = max(worst, float(np.abs(batch.time_s - true_s - 0.002).max()))
    assert worst < 0.004
    assert link.restarts == 0
    assert link.missed > 200
    assert link.clock_u_s is not None


def test_a_head_that_starts_again_is_told_from_one_that_lost_records() -> None:
    """A 16-bit counter that begins anew looks like a loss of thousands, or like repeats; its clock and rate tell."""
    for last, first in ((50_000, 0), (30_000, 0), (65_200, 0), (100, 0), (100, 40)):
        link = reader()
        for count in range(last - 300, last + 1, 10):
            link.read(lines(*range(count, count + 10)), 0.01 * count)
        again = b"".join(line(n, ms=10.0 * (n + 1)) for n in range(first, first + 5))
        batch = link.read(again, 0.01 * last + 2.0)
        assert batch is not None
        assert batch.time_s.size == 5, (last, first)
        assert (link.restarts, link.missed, link.repeated) == (1, 0, 0), (last, first)
        assert np.allclose(np.diff(batch.time_s), 0.01)


def test_records_that_come_late_are_no_loss_and_no_repeat() -> None:
    link = reader()
    assert spots(link.read(lines(1, 2, 4, 5, 3, 6), 1.0)) == [1, 2, 4, 5, 3, 6]
    assert (link.missed, link.late, link.repeated) == (0, 1, 0)
    assert spots(link.read(lines(3, 5, 8), 1.1)) == [8]
    assert (link.missed, link.late, link.repeated) == (1, 1, 2)


def test_what_is_sent_again_after_a_loss_of_the_link_is_left_out() -> None:
    """A broker delivers again what was not acknowledged before the link broke."""
    link = reader()
    link.read(lines(*range(20)), 1.0)
    link.interrupted()
    assert spots(link.read(lines(18, 19, 20, 21), 9.0)) == [20, 21]
    assert (link.missed, link.repeated, link.restarts) == (0, 2, 0)


@given(
    st.sampled_from([8, 16, 32]),
    st.integers(0, 2**32 - 1),
    st.lists(st.sampled_from(["lost", "again", "swapped", "fine", "fine", "fine"]), min_size=1, max_size=80),
    st.lists(st.integers(1, 79), max_size=5),
)
def test_every_record_sent_is_accounted_for(bits: int, start: int, fates: list[str], cuts: list[int]) -> None:
    """Received, missed, repeated, late: they add up to what was sent, for counters of any width, however it is cut."""
    sent = np.arange(start, start + len(fates) + 3) % 2.0**bits
    wire: list[float] = [float(sent[0])]
    for number, fate in zip(sent[1:-2].tolist(), fates, strict=True):
        wire += {"lost": [], "again": [number, number], "swapped": [-1.0 - number], "fine": [number]}[fate]
    # A swapped one comes after the next that comes at all.
    for i in range(len(wire) - 2, -1, -1):
        if wire[i] < 0:
            wire[i], wire[i + 1] = wire[i + 1], -1.0 - wire[i]
    wire = [abs(n) if n >= 0 else -1.0 - n for n in wire] + sent[-2:].tolist()
    link = reader(clock=None, sequence=("count", bits))
    edges = [0, *sorted({c for c in cuts if c < len(wire)}), len(wire)]
    for i, (a, b) in enumerate(pairwise(edges)):
        payload = b"".join(form().encode({"count": n, "ms": 0, "spot": n}) for n in wire[a:b])
        link.read(payload, 1.0 + 0.1 * i)
    assert link.records + link.missed == len(sent)
    assert link.repeated == fates.count("again")
    assert link.missed == fates.count("lost")
    assert link.restarts == 0


def test_without_a_clock_records_are_spaced_back_from_arrival() -> None:
    link = reader(clock=None, sequence=None, rate_hz=100.0)
    batch = link.read(lines(1, 2, 3), 5.0)
    assert batch is not None
    assert np.allclose(batch.time_s, [4.98, 4.99, 5.0])
    assert link.clock_u_s is None


def test_without_clock_and_rate_the_records_of_a_batch_are_spread_by_the_rate_they_come_at() -> None:
    link = reader(clock=None)
    batch = None
    for i in range(200):
        batch = link.read(lines(2 * i, 2 * i + 1), 1.0 + 0.02 * i)
    assert batch is not None
    assert np.allclose(np.diff(batch.time_s), 0.01, rtol=0.05)
    assert batch.time_s[-1] == pytest.approx(1.0 + 0.02 * 199)


def test_times_without_a_clock_never_run_back() -> None:
    link = reader(clock=None, sequence=None, rate_hz=100.0)
    first = link.read(lines(1, 2), 5.0)
    second = link.read(lines(3, 4, 5, 6), 5.01)
    assert first is not None
    assert second is not None
    assert np.all(np.diff(np.concatenate([first.time_s, second.time_s])) >= 0.0)


def test_captured_bytes_are_told_by_the_devices_clock_from_zero() -> None:
    link = reader(device_time=True)
    first, second = link.read(lines(700, 701), 0.001), link.read(lines(703), 0.002)
    assert first is not None
    assert second is not None
    assert np.allclose(np.concatenate([first.time_s, second.time_s]), [0.0, 0.01, 0.03])
    assert link.clock_u_s is None


@pytest.mark.parametrize(("rate_hz", "spacing_s"), [(50.0, 0.02), (None, 0.01)])
def test_captured_bytes_without_a_clock_are_counted_out(rate_hz: float | None, spacing_s: float) -> None:
    link = reader(clock=None, rate_hz=rate_hz, device_time=True)
    first, second = link.read(lines(1, 2), 0.0), link.read(lines(3), 0.0)
    assert first is not None
    assert second is not None
    assert np.allclose(np.concatenate([first.time_s, second.time_s]), spacing_s * np.arange(3))


def test_a_header_that_leaves_the_clock_out_gives_no_times_and_no_crash() -> None:
    link = LinkReader(
        DelimitedFormat(DelimitedOptions(header=True)),
        clock=("ms", "ms", 32),
        sequence=("count", 16),
        nominal_rate_hz=None,
        device_time=False,
    )
    batch = link.read(b"angle,spot\n1,2\n3,4\n", 1.0)
    assert batch is not None
    assert np.isnan(batch.time_s).all()


def test_the_rate_is_that_of_the_last_two_seconds() -> None:
    meter = RateMeter()
    assert meter.rate_hz(0.0) is None
    for i in range(500):
        meter.add(i * 0.01, 1)
        if i * 0.01 < 0.5:
            assert meter.rate_hz(i * 0.01) is None
    assert meter.rate_hz(4.99) == pytest.approx(100.0, rel=0.02)
    assert meter.rate_hz(5.99) == pytest.approx(50.0, rel=0.05)
    assert meter.rate_hz(8.0) == 0.0
