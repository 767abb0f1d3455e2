"""Keys and clicks: from page to page, and commands to the service."""

from dataclasses import replace

from livealign.errors import PersonError
from livealign.snapshot import Phase, Snapshot
from tests.tui.stage import Service, Stage


async def test_pages_by_number_arrow_tab_and_click(job: Snapshot, stage: Stage) -> None:
    async with stage.open() as pilot:
        await stage.show(job)
        went = [stage.page()]
        for key in ("6", "4", "right", "tab", "right", "left", "shift+tab"):
            await pilot.press(key)
            went.append(stage.page())
        assert went == ["links", "adjust", "rotation", "findings", "adjust", "links", "adjust", "findings"]
        await pilot.click("#tab-rotation")
        assert stage.page() == "rotation"


async def test_the_page_follows_the_phase(job: Snapshot, stage: Stage) -> None:
    phases: list[Phase] = ["ready", "rotation", "findings", "adjust", "rotation"]
    async with stage.open():
        followed = []
        for phase in phases:
            await stage.show(replace(job, phase=phase))
            followed.append(stage.page())
    assert followed == ["links", "rotation", "findings", "adjust", "rotation"]


async def test_the_page_stays_where_the_person_has_just_gone(job: Snapshot, stage: Stage) -> None:
    async with stage.open() as pilot:
        await stage.show(replace(job, phase="rotation"))
        await pilot.press("2")
        await stage.show(replace(job, phase="findings"))
        assert stage.page() == "links"


async def test_what_the_person_asked_for_leads_on_all_the_same(
    job: Snapshot, service: Service, stage: Stage
) -> None:
    async with stage.served(replace(job, phase="findings")) as pilot:
        await pilot.press("2", "v")
        await stage.show(replace(job, phase="adjust"))
        assert stage.page() == "adjust"


ASKED = [
    ("space", "#do-rotation", {"phase": "ready"}, ("begin_rotation", {})),
    ("space", "#do-rotation", {"phase": "rotation"}, ("end_rotation", {})),
    ("space", "#do-rotation", {"phase": "adjust"}, ("begin_rotation", {})),
    ("v", "#do-vertical", {"phase": "findings"}, ("adjust", {"plane": "vertical"})),
    ("h", "#do-horizontal", {"phase": "findings"}, ("adjust", {"plane": "horizontal"})),
    ("p", "#do-pause", {"phase": "adjust"}, ("hold", {"on": True})),
    ("p", "#do-pause", {"phase": "adjust", "hold": True}, ("hold", {"on": False})),
]


async def test_a_key_and_its_button_ask_for_the_same(job: Snapshot, service: Service, stage: Stage) -> None:
    async with stage.served() as pilot:
        for key, button, now, asked in ASKED:
            service.asked.clear()
            await stage.show(replace(job, **now))  # type: ignore[arg-type]
            await pilot.press(key)
            await stage.until(lambda: len(service.asked) == 1)
            await pilot.click(button)
            await stage.until(lambda: len(service.asked) == 2)
            assert service.asked == [asked, asked]


async def test_a_note_is_written_and_kept(job: Snapshot, service: Service, stage: Stage) -> None:
    async with stage.served(job) as pilot:
        # Keys of the pages are letters here.
        await pilot.press("n", *["q", "space", "v", "space", "2"], "enter")
        await stage.until(lambda: bool(service.asked))
        await stage.until(lambda: "The note is kept." in stage.text())
        await pilot.press("n", "x", "escape")
        await pilot.press("n", "enter")
    assert service.asked == [("note", {"text": "q v 2"})]


async def test_a_refusal_is_shown_with_its_reason(job: Snapshot, service: Service, stage: Stage) -> None:
    service.refusal = PersonError("turn both shafts first", advice="Begin a rotation.")
    async with stage.served(job) as pilot:
        await pilot.press("v")
        await stage.until(lambda: "turn both shafts first" in stage.text())
        assert "Not done" in stage.text()
        assert "Begin a rotation." in stage.text()


async def test_large_digits_and_back(job: Snapshot, stage: Stage) -> None:
    async with stage.open() as pilot:
        await stage.show(replace(job, phase="findings"))
        await pilot.press("l")
        assert stage.page() == "adjust"
        await stage.show(replace(job, phase="findings"))
        large = stage.text()
        await pilot.press("l")
        await pilot.pause()
        chart = stage.text()
    assert "near feet: remove 0.24 mm  ± 0.020" in large
    assert "██████████" in large
    assert "undecided: 71 %" in large
    assert "settling, about 8 s to go" in large
    assert "██████████" not in chart
    assert "-60 s" in chart


async def test_the_chart_follows_each_value_in_turn(job: Snapshot, stage: Stage) -> None:
    async with stage.open() as pilot:
        await stage.show(replace(job, phase="adjust"))
        titles = []
        for _ in range(4):
            titles.append(stage.text().splitlines()[4].split(",")[0].strip())
            await pilot.press("c")
            await pilot.pause()
    assert titles == ["offset at the coupling", "near feet", "far feet", "offset at the coupling"]


async def test_the_budget_and_back_from_any_page_and_by_click(job: Snapshot, stage: Stage) -> None:
    async with stage.open((100, 30)) as pilot:
        await stage.show(replace(job, phase="adjust"))
        shown = []
        for ask in ("b", "#do-budget", "b", "6", "b"):
            await (pilot.click(ask) if ask.startswith("#") else pilot.press(ask))
            await pilot.pause()
            shown.append((stage.page(), "uncertainty comes from" in stage.text()))
    budget, findings = ("findings", True), ("findings", False)
    assert shown == [budget, findings, budget, ("adjust", False), budget]


async def test_help_explains_keys_and_words(job: Snapshot, stage: Stage) -> None:
    async with stage.open((80, 40)) as pilot:
        await stage.show(job)
        await pilot.press("question_mark")
        await pilot.pause()
        text = stage.text()
        await pilot.press("escape")
        await pilot.pause()
        assert "Keys" not in stage.text()
    assert "begin a rotation, or end it" in text
    assert "standard uncertainty" in text


async def test_commands_are_found_by_name(job: Snapshot, service: Service, stage: Stage) -> None:
    async with stage.served(job) as pilot:
        await pilot.press("ctrl+p")
        await pilot.press(*"adjust side")
        await stage.until(lambda: "Adjust sideways" in stage.text())
        await stage.until(lambda: "Adjust up" not in stage.text())
        await pilot.press("enter")
        await stage.until(lambda: bool(service.asked))
    assert service.asked == [("adjust", {"plane": "horizontal"})]


async def test_quit_leaves_and_asks_nothing(job: Snapshot, service: Service, stage: Stage) -> None:
    async with stage.served(job) as pilot:
        await pilot.press("q")
    assert pilot.app.return_code == 0
    assert service.asked == []


async def test_every_binding_has_an_id_that_a_person_can_rebind(stage: Stage) -> None:
    async with stage.open() as pilot:
        own = type(pilot.app.screen).__dict__["BINDINGS"]
    assert all(binding.id for binding in own)
    assert len({binding.id for binding in own}) == len(own)
