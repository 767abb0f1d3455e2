"""Every scenario that is shipped gives what it says; and a file that is wrong is told so."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from livealign.cli import main
from livealign.config.problems import ConfigErrors
from livealign.snapshot import encode
from livealign_simulators.catalogue import find_scenario, scenario_names
from livealign_simulators.conclusion import Seen, unmet
from livealign_simulators.scenario import Conclusion, Rotate, hastened, parse_scenario
from scenarios.playing import play

BEST = """
schema = "livealign.scenario/1"
name = "mine"
lesson = "What is to be learnt."
timeline = [{ do = "rotate", to_deg = 270 }]

[conclusion]
as_found = "not conforming"
"""


@pytest.mark.parametrize("name", scenario_names())
def test_the_program_concludes_what_the_scenario_says(name: str) -> None:
    scenario = find_scenario(name)
    played = play(scenario)
    assert unmet(scenario.file.conclusion, played.seen, played.truth) == []


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    scenario = find_scenario("partial-arc")
    one, again, other = play(scenario), play(scenario), play(scenario.seeded(99))
    assert one.events == again.events
    assert [encode(s) for s in one.snapshots] == [encode(s) for s in again.snapshots]
    assert one.events != other.events


def test_a_conclusion_that_is_not_drawn_is_told_in_words() -> None:
    """Every kind of conclusion can fail: a program that said nothing of the sort meets none."""
    played = play(find_scenario("hardly-turned"))
    wanted = Conclusion(
        as_found="conforming",
        as_left="conforming",
        true=("as found",),
        misled=("as left",),
        diagnoses=("drift",),
        warnings=("lag",),
        machine=("settled",),
        moved_mm=0.1,
        flags={"head S angle": "noisy"},
        links={"S": "lost"},
        counters={"S": ("missed",)},
        words=("all is well",),
    )
    told = unmet(wanted, played.seen, played.truth)
    for words in (
        "as found: not known, not conforming",
        "as left: not known, not conforming",
        "as found: no pose was found",
        "as left: no pose was found",
        "not diagnosed: drift",
        "no warning during a rotation: lag",
        "the machine was never settled",
        "moved by 0.000 mm only",
        "head S angle was never noisy",
        "link S was never lost",
        "link S counted nothing as missed",
        "never said: 'all is well'",
    ):
        assert any(words in line for line in told), words
    assert unmet(wanted, Seen(), {}) == ["the program said nothing"]
    clean = play(find_scenario("partial-arc"))
    whole = Conclusion(misled=("as found",), not_observable=True, no_other_diagnosis=True)
    assert unmet(whole, clean.seen, clean.truth) == [
        "as found: all figures are true, although the program should be misled",
        "diagnosed too: short arc",
        "the last rotation gave a pose",
    ]


def test_a_scenario_is_played_faster_by_turning_and_waiting_less() -> None:
    fast = hastened(find_scenario("thermal-growth"), 2.0).file
    rotate, _, wait = fast.timeline
    assert isinstance(rotate, Rotate)
    assert (rotate.deg_per_s, wait.model_dump()["s"]) == (90.0, 7.5)
    assert [w.time_constant_s for w in fast.faults.warmings] == [100.0, 100.0]


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (("to_deg = 270", "to_degree = 270"), 5, "to_deg"),
        (('do = "rotate"', 'do = "rotat"'), 5, "it takes"),
        (("to_deg = 270", 'to_deg = "270"'), 5, "leave the quotes out"),
        (
            ("[conclusion]", '[[faults.heads]]\nhead = "head X"\n\n[conclusion]'),
            8,
            "there are head S, head M",
        ),
        (("[conclusion]", "[conclusion]\nlinks = { X = 'lost' }"), 8, "no link is called 'X'"),
        (('as_found = "not conforming"', 'as_found = "fine"'), 8, '"conforming"'),
        (("[conclusion]", "[rig]\nheads = []\n\n[conclusion]"), 8, "heads: found []"),
        (("lesson", "leson"), 4, "did you mean lesson?"),
    ],
)
def test_a_mistake_is_told_with_its_line(change: tuple[str, str], line: int, words: str) -> None:
    with pytest.raises(ConfigErrors) as caught:
        parse_scenario(BEST.replace(*change), "mine.toml", Path())
    assert any(e.line == line and words in str(e) for e in caught.value.errors), str(caught.value)


def test_scenarios_are_listed_and_a_name_that_is_none_is_told() -> None:
    listed = CliRunner().invoke(main, ["simulate", "--list"])
    assert [line.split()[0] for line in listed.output.splitlines()] == scenario_names()
    assert len(scenario_names()) >= 12
    asked = CliRunner().invoke(main, ["simulate", "lose-bracket"])
    assert asked.exit_code == 1
    assert "loose-bracket" in asked.output
    both = CliRunner().invoke(main, ["simulate", "loose-bracket", "--control"])
    assert both.exit_code == 2
