"""The pages say the right words, and nothing important is cut at 80 x 24."""

import re
from dataclasses import replace

import pytest

from livealign.snapshot import Finding, Snapshot, Verdict
from tests.tui.jobs import disturbed, settling
from tests.tui.stage import Stage

SIZES = [(80, 24), (100, 30), (140, 40)]

# What a page must say at any size, word for word.
MUST: dict[str, list[str]] = {
    "ready": [
        "Grain dryer fan 2   Ready",
        "1 of 2 links 100 Hz  12:04",
        "99.8 Hz     9010      2       0        0           0",
        "open for 92 s, clock known within 0.8 ms",
        "last bad: 12,4,,x*5A: wrong checksum",
        "lost",
        "/dev/ttyUSB1 is gone; plug it in again",
        "+1.2034 mm",
        "noisy, dim",
        "silent",
    ],
    "rotation": [
        "140 deg covered   812 readings   2 left out   residual sd 0.0021 mm",
        "deg 0",
        "360",
        "^ 95 deg: a reading here helps most",
        "up and down     +0.342 ± 0.012 mm         -0.31 ± 0.05 mm/m",
        "sideways        -0.120 ± 0.012 mm         +0.22 ± 0.05 mm/m",
        "far feet        ± 0.020 mm                ± 0.024 mm",
        "Tighten, then wait",
        "x left out",
        "space end rotation",
    ],
    "findings": [
        "± is U (95 %), twice the standard uncertainty.",
        "movable shaft high",
        "gap opens at the top",
        "toward 9 o'clock",
        "gap opens at the left",
        "gap at 160 mm",
        "+0.050 mm",
        "-0.035 mm",
        "undecided: 71 % likely to conform",
        "worst: flex plane of the movable machine: 0.48 of 0.5 mm/m",
        "limit: 0.5 mm/m at both flex planes; API RP 686, 2nd ed. (2009), cl. 5.4.6.2",
        "remove 0.24 mm  ± 0.020",
        "0.05 mm toward 3 o'clock  ± 0.024",
        "coupling",
        "═══",
    ],
    "adjust": [
        "Adjust: up and down",
        "undecided: 71 % likely to conform",
        "settling, about 8 s to go",
        "+0.342 ± 0.012 mm",
        "-0.31 ± 0.05 mm/m",
        "movable shaft high",
        "near feet           remove 0.24 mm                -0.240 ± 0.020 mm",
        "far feet            remove 0.11 mm                -0.110 ± 0.020 mm",
        "held: sideways, offset -0.120 ± 0.012 mm",
        "parked at 352 deg, good for up and down",
        "Next: near feet: remove 0.24 mm; far feet: remove 0.11 mm. Tighten, then wait",
        "-60 s",
        "now",
    ],
}
KEYS = [
    "space",
    "v up-down",
    "h sideways",
    "p pause",
    "n note",
    "l large",
    "2 Links",
    "6 Adjust",
    "? help",
    "q quit",
]


@pytest.mark.parametrize("size", SIZES)
async def test_a_page_says_all_that_matters(size: tuple[int, int], job: Snapshot, stage: Stage) -> None:
    async with stage.open(size):
        for phase, must in MUST.items():
            await stage.show(replace(job, phase=phase))  # type: ignore[arg-type]
            text = stage.text()
            missing = [said for said in [*must, *KEYS] if said not in text]
            assert not missing, text


# What a page must say after a turn in which not everything was as it should be.
ALSO: dict[str, list[str]] = {
    "rotation": [
        "Enough for the verdict",
        "largest left out  head M position       -0.031 mm off   at 48 deg    59 s ago",
        "hysteresis 0.010 mm, head S position: ",
        "tighten the brackets; read while turning",
        "fast turning 74 deg/s, whole rig: ",
        "turn more slowly, and evenly",
        "far feet        ± 0.020 mm                ± 0.024 mm",
    ],
    "findings": [
        "far feet, horizontal: U = 1.98 u = 0.024 mm, mostly from angle zeros  (b: all)",
        "to shrink it: find each head's angle zero by reversal, and state it",
        "hysteresis 0.010 mm, head S position",
        "fast turning 74 deg/s, whole rig",
        "coupling",
        "═══",
        "remove 0.24 mm  ± 0.020",
    ],
}


@pytest.mark.parametrize("size", SIZES)
async def test_disturbances_and_budget_find_room(size: tuple[int, int], job: Snapshot, stage: Stage) -> None:
    odd = disturbed(job)
    async with stage.open(size) as pilot:
        for phase, must in ALSO.items():
            await stage.show(replace(odd, phase=phase))  # type: ignore[arg-type]
            text = stage.text()
            missing = [said for said in [*must, *KEYS] if said not in text]
            assert not missing, text
            if size != SIZES[0]:
                assert "readings depend on which way the shafts turn: backlash" in text
        await pilot.press("b")
        await pilot.pause()
        text = stage.text()
        table = [" ".join(row.split()) for row in text.splitlines()]
        assert "vertical offset 0.012 1.98 *0.0041 0.0021 0.0034 0.0008" in table
        assert "far feet, horizontal 0.024 1.98 0.0064 *0.0099 0.0021 0.0011" in table
        assert "readings: turn further or once more, slowly; steady the rig" in text
        assert "turn more slowly, and evenly" in text
        assert "likely to conform" not in text


async def test_with_as_left_too_the_reasons_give_way_last(job: Snapshot, stage: Stage) -> None:
    kept = Finding(10.0, job.pose, job.feet, job.verdict)
    async with stage.open():
        await stage.show(replace(disturbed(job), phase="findings", as_found=kept, as_left=kept))
        text = stage.text()
    assert "as left" in text
    assert "mostly from angle zeros" in text
    assert "hysteresis 0.010 mm, head S position" in text


async def test_before_a_rotation_has_ended_there_is_no_budget(job: Snapshot, stage: Stage) -> None:
    async with stage.open() as pilot:
        await stage.show(replace(job, phase="adjust"))
        await pilot.press("b")
        await pilot.pause()
        assert "worked out when a rotation has ended" in stage.text()


async def test_where_the_machine_is_heading_while_it_settles(job: Snapshot, stage: Stage) -> None:
    low = settling(job)[-1]
    async with stage.open() as pilot:
        await stage.show(low)
        assert "offset, up and down, mm: heading for +0.012 mm, settled in about 13 s" in stage.text()
        assert any(row.endswith("- -<") for row in stage.text().splitlines())
        await pilot.press("c", "c")
        await pilot.pause()
        # 0.012 mm high and falling 0.052 mm/m: 0.027 mm low at 750 mm.
        assert "far feet, up and down, mm: heading for +0.027 mm" in stage.text()
        await pilot.press("l", "c")
        await pilot.pause()
        assert "settling, about 13 s to go" in stage.text()
        assert "± 0.020, heading for +0.027 mm" in stage.text()
        await pilot.press("l")
        await stage.show(
            replace(
                low, sequence=999, plane="horizontal", settling=replace(low.settling, final_offset_mm=None)
            )
        )
        assert "heading" not in stage.text()


async def test_that_the_held_plane_moved_is_said_with_chart_and_large(job: Snapshot, stage: Stage) -> None:
    words = "the held plane moved: 0.12 mm toward 3 o'clock"
    async with stage.open() as pilot:
        await stage.show(replace(job, phase="adjust", settling=replace(job.settling, held_words=words)))
        text = stage.text()
        assert words in text
        assert all(said in text for said in MUST["adjust"])
        await pilot.press("l")
        await pilot.pause()
        assert words in stage.text()
        await pilot.press("l")
        await stage.show(replace(job, phase="adjust", sequence=2))
        assert words not in stage.text()


async def test_what_a_link_brings_in_vain_is_said_when_there_is_any(job: Snapshot, stage: Stage) -> None:
    counters = replace(job.links[0].counters, repeated=7, unpaired=12)
    async with stage.open():
        await stage.show(job)
        assert "left out" not in stage.text()
        await stage.show(replace(job, links=(replace(job.links[0], counters=counters),)))
        assert "left out: 7 repeated, 12 without an angle" in stage.text()


async def test_what_nobody_knows_is_said_to_be_so(nothing_known: Snapshot, stage: Stage) -> None:
    async with stage.open():
        await stage.show(nothing_known)
        assert "no links" in stage.text()
        assert "no channels" in stage.text()
        for phase in ("rotation", "findings", "adjust"):
            await stage.show(replace(nothing_known, phase=phase))  # type: ignore[arg-type]
            text = stage.text()
            assert text.count("not known") >= 4, text
            # An axis may be numbered; no zero stands where a value would.
            assert not re.search(r"[+-]?0\.0+ (±|mm|mil)", text), text


async def test_a_job_in_inches_is_read_in_mils(job: Snapshot, stage: Stage) -> None:
    async with stage.open():
        await stage.show(replace(job, units="inch", phase="findings"))
        text = stage.text()
        assert "+13.5 ± 0.5 mil" in text
        assert "-0.31 ± 0.05 mil/in" in text
        assert "gap at 6.30 in" in text
        assert "+2.0 mil" in text
        await stage.show(replace(disturbed(job), units="inch", phase="findings"))
        text = stage.text()
        assert "hysteresis 0.39 mil, head S position" in text
        assert "U = 1.98 u = 1.0 mil, mostly from angle zeros" in text
        await stage.show(replace(disturbed(job), units="inch", phase="rotation"))
        assert "-1.2 mil off" in stage.text()
        await stage.show(replace(settling(job)[-1], units="inch"))
        assert "heading for +0.5 mil" in stage.text()


async def test_as_found_stands_beside_as_left(job: Snapshot, stage: Stage) -> None:
    found = Finding(10.0, job.pose, job.feet, Verdict("not conforming", 0.02))
    good = replace(job.pose.vertical, offset_mm=0.01)
    left = Finding(900.0, replace(job.pose, vertical=good), job.feet, Verdict("conforming", 0.9996))
    async with stage.open():
        await stage.show(replace(job, phase="findings", as_found=found, as_left=left))
        rows = [" ".join(row.split()) for row in stage.text().splitlines()]
    assert "as found as left" in rows
    assert "offset up and down +0.342 ± 0.012 mm +0.010 ± 0.012 mm" in rows
    assert "verdict not conforming: 2 % conforming: over 99.9 %" in rows


async def test_three_foot_planes_find_room(job: Snapshot, stage: Stage) -> None:
    middle = replace(job.feet[0], name="middle feet", x_mm=540.0)
    feet = (job.feet[0], middle, job.feet[1])
    odd = disturbed(job)
    async with stage.open():
        for phase in ("rotation", "findings", "adjust"):
            await stage.show(replace(odd, phase=phase, feet=feet))  # type: ignore[arg-type]
            text = stage.text()
            assert phase == "adjust" or "hysteresis 0.010 mm" in text
            assert all(name in text for name in ("near feet", "middle feet", "far feet")), text
            assert "6 Adjust" in text


async def test_paused_reading_is_said_at_the_top(job: Snapshot, stage: Stage) -> None:
    async with stage.open():
        await stage.show(replace(job, phase="adjust", hold=True))
        text = stage.text()
    assert "Adjust: up and down, reading paused" in text.splitlines()[0]
    assert "p go on" in text


async def test_the_sideways_plane_shows_its_own_values(job: Snapshot, stage: Stage) -> None:
    async with stage.open():
        await stage.show(replace(job, phase="adjust", plane="horizontal"))
        text = stage.text()
    assert "Adjust: sideways" in text
    assert "-0.120 ± 0.012 mm" in text
    assert "0.05 mm toward 3 o'clock" in text
    assert "held: up and down, offset +0.342 ± 0.012 mm" in text


async def test_text_from_outside_is_shown_and_not_obeyed(job: Snapshot, stage: Stage) -> None:
    odd = replace(job.links[0], name="[red]S", last_bad="[bold]\x1b[2J 1;2", detail="[@click=app.quit]x[/]")
    async with stage.open():
        await stage.show(replace(job, job="[b]fan[/b]", links=(odd,)))
        text = stage.text()
    assert "[b]fan[/b]" in text
    assert "[red]S" in text
    assert "[bold]?[2J 1;2" in text
    assert "[@click=app.quit]x[/]" in text


async def test_any_terminal_is_survived(job: Snapshot, stage: Stage) -> None:
    async with stage.open() as pilot:
        for size in ((20, 6), (40, 12), (200, 60), (79, 23)):
            await pilot.resize_terminal(*size)
            for phase in MUST:
                await stage.show(replace(disturbed(job), phase=phase))  # type: ignore[arg-type]
        await pilot.resize_terminal(80, 24)
        await stage.show(replace(job, phase="adjust"))
        assert all(said in stage.text() for said in MUST["adjust"])


async def test_light_colours_and_any_theme_work(job: Snapshot, stage: Stage) -> None:
    async with stage.open() as pilot:
        await stage.show(replace(job, phase="adjust"))
        for theme in ("livealign-light", "nord", "textual-light", "livealign-dark"):
            pilot.app.theme = theme
            await stage.show(replace(job, phase="adjust", sequence=2))
            assert "undecided: 71 %" in stage.text()
