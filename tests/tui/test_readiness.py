"""The page Readiness: a person works off the checklist, looks for soft feet, and marks bolts."""

from dataclasses import replace

from textual.pilot import Pilot
from textual.widgets import Input

from livealign.snapshot import BoltUp, Closing, Snapshot, SoftFoot, SoftFootState
from tests.tui.jobs import readied
from tests.tui.stage import Service, Stage


async def written(pilot: Pilot[None], key: str, *lines: str) -> None:
    """Press a key and answer the questions that come up."""
    await pilot.press(key)
    for text in lines:
        await pilot.pause()
        pilot.app.screen.query_one(Input).value = text
        await pilot.press("enter")
    await pilot.pause()


async def test_items_are_checked_off_by_a_person_whose_name_is_asked_once(
    job: Snapshot, service: Service, stage: Stage
) -> None:
    job = readied(job)
    asked = service.asked
    async with stage.served(job) as pilot:
        await pilot.press("3", "down")
        await pilot.pause()
        text = stage.text()
        for words in (
            "Working on rotating machines can kill. livealign measures; it makes nothing",
            "   safety  Locked out, tagged out, tried to start     done   Anne, 80 s ago",
            ">  safety  Guards off only where one works            open",
            "They are kept together.",
            "2 open, 1 of them for safety",
            "enter check off",
            "t bolts",
        ):
            assert words in text
        await written(pilot, "enter", "Bo")
        await stage.until(lambda: len(asked) == 1)
        await written(pilot, "x", "it has none")
        await stage.until(lambda: len(asked) == 2)
        await pilot.press("down", "down")  # no further than the last
        await pilot.pause()
        assert "Total reading on both rims. At most 0.050 mm." in stage.text()
        await written(pilot, "enter", "much")
        await stage.until(lambda: "'much' is not a" in stage.text())
        await written(pilot, "enter", "0.04")
        await stage.until(lambda: len(asked) == 3)
        await written(pilot, "w", "Cy")
        await pilot.press("o")
        await stage.until(lambda: len(asked) == 4)
        await written(pilot, "e", "rain")
        await stage.until(lambda: len(asked) == 5)
        await pilot.press("e", "escape")  # left: nothing is closed
        await pilot.press("e", "enter")
        await stage.until(lambda: len(asked) == 6)
        await stage.show(replace(job, closed=Closing("verified", "Cy", 90.0)))
        assert "closed as verified by Cy, 10 s ago" in stage.text()
        await pilot.press("e")
        await stage.until(lambda: len(asked) == 7)
    assert asked == [
        ("check_off", {"item": "guards", "state": "done", "who": "Bo"}),
        ("check_off", {"item": "guards", "state": "not applicable", "who": "Bo", "text": "it has none"}),
        ("check_off", {"item": "runout", "state": "done", "who": "Bo", "value_mm": 0.04}),
        ("check_off", {"item": "runout", "state": "open", "who": "Cy"}),
        ("close_out", {"state": "not verified", "who": "Cy", "text": "rain"}),
        ("close_out", {"state": "verified", "who": "Cy"}),
        ("close_out", {"on": False}),
    ]


async def test_soft_feet_are_looked_for_and_bolts_marked(
    job: Snapshot, service: Service, stage: Stage
) -> None:
    job = readied(job)
    asked = service.asked
    loose = tuple(replace(f, bolt="loose") if i == 2 else f for i, f in enumerate(job.soft_foot.feet))
    async with stage.served(job) as pilot:
        await pilot.press("f", "down", "down")  # leads here from any page
        await pilot.pause()
        assert stage.page() == "readiness"
        text = stage.text()
        for words in (
            "soft foot, round 2   limit 0.05 mm",
            "next: far feet, left",
            "near feet, left     tightened     +0.190 ± 0.040 mm    0.18/0.18/0.18/0.18",
            "parallel: add 0.18 mm",
            ">  far feet, left      not loosened  not known            -",
        ):
            assert words in text
        await pilot.press("enter")
        await stage.until(lambda: len(asked) == 1)
        await stage.show(replace(job, soft_foot=replace(job.soft_foot, feet=loose)))
        await pilot.click("#ready-enter")
        await stage.until(lambda: len(asked) == 2)
        await written(pilot, "g", "1 2")
        await stage.until(lambda: "four numbers are wanted" in stage.text())
        await written(pilot, "g", "0.1 0.1 0.2 0.2")
        await written(pilot, "g", "0.05")
        await pilot.press("e")
        await stage.until(lambda: len(asked) == 5)
        await pilot.press("t")
        await pilot.pause()
        text = stage.text()
        for words in (
            "suction flange, bolts 1 and 5",
            "by this step          +0.012 ± 0.002 mm          not known",
        ):
            assert words in text
        await written(pilot, "m", "bolts 3 and 7")
        await pilot.press("e")
        await stage.until(lambda: len(asked) == 7)
        # Nothing begun yet: each view says how.
        await stage.show(replace(job, soft_foot=SoftFoot(), bolt_up=BoltUp()))
        assert "Park the shafts, then tighten flanges or bolts" in stage.text()
        await pilot.press("e", "f")
        await stage.until(lambda: "Loosen one bolt at a time" in stage.text())
        await pilot.press("e", "f")
        await stage.until(lambda: len(asked) == 9)
    far_left = {"foot": "far feet", "side": "left"}
    assert asked == [
        ("soft_foot", {"action": "loosen", **far_left}),
        ("soft_foot", {"action": "tighten"}),
        ("soft_foot", {"action": "gauge", **far_left, "gaps_mm": (0.1, 0.1, 0.2, 0.2)}),
        ("soft_foot", {"action": "gauge", **far_left, "gaps_mm": (0.05,) * 4}),
        ("soft_foot", {"action": "end"}),
        ("bolt_up", {"action": "mark", "text": "bolts 3 and 7"}),
        ("bolt_up", {"action": "end"}),
        ("bolt_up", {"action": "begin"}),
        ("soft_foot", {"action": "begin"}),
    ]


async def test_many_feet_and_items_leave_the_chosen_one_in_sight(job: Snapshot, stage: Stage) -> None:
    job = replace(readied(job), units="inch")
    feet = tuple(
        SoftFootState(f"plane {i}", side, words="in order", kind="none", rise_mm=0.0254)
        for i in range(5)
        for side in ("left", "right")
    )
    items = tuple(replace(job.readiness[2], id=f"i{i}", title=f"item {i}") for i in range(18))
    job = replace(job, readiness=items, soft_foot=replace(job.soft_foot, feet=feet))
    async with stage.open() as pilot:
        await stage.show(job)
        await pilot.press("3", *["down"] * 14)
        await pilot.pause()
        assert ">          item 14" in stage.text()
        assert "At most 2.0 mil" in stage.text()
        await pilot.press("f", *["down"] * 9)
        await pilot.pause()
        text = stage.text()
    assert ">  plane 4, right" in text
    assert "next: far feet, left" in text
    assert "+1.0 mil" in text
