"""What is wrong with a rig that is looked at live, in words, with what to do about it.

The limits in the parts are judgement, not rules: wide enough that a rig in order raises none.
"""

from livealign.config.rig import Rig
from livealign.session.live.figures import RestFigures
from livealign.session.live.finding import Finding, by_importance, mind
from livealign.session.live.of_channels import channel_findings
from livealign.session.live.of_links import link_findings
from livealign.session.live.of_turn import apart_findings, turn_findings
from livealign.session.live.turn import TurnFigures

__all__ = ["findings"]


def findings(rig: Rig, rest: RestFigures, turn: TurnFigures | None = None) -> tuple[Finding, ...]:
    """Return what is to be said about a rig, most important first.

    Args:
        rig: as the file has it.
        rest: its figures while the shafts stood still.
        turn: its figures while they were turned clockwise, if they were.
    """
    links = {link.name: link for link in rest.links}
    found = [
        f for link in rig.links if link.name in links for f in link_findings(rig, link, links[link.name])
    ]
    arc_deg = turn.arc_deg if turn else 0.0
    for channel in rest.channels:
        link = links[channel.link]
        if link.records:
            found += channel_findings(rig, channel, link, rest.seconds, turned_deg=arc_deg)
    if turn is not None:
        found += turn_findings(rig, turn, frozenset(f.about for f in found if f.kind == "stuck"))
    # A head that counts the other way, or in another unit, shows another angle: told once is enough.
    if not {f.kind for f in found} & {"sense", "swapped", "unit", "does not turn", "stuck"}:
        found += apart_findings(rest.apart, turned=turn is not None and turn.known)
    if not rest.still:
        what = f"the shafts turned by {rest.turned_deg:.0f} deg instead of standing still, so drift is not judged"
        found.append(mind("not at rest", "", what, "Run the check again and keep off the shafts."))
    return tuple(sorted(_without_consequences(found), key=by_importance))


def _without_consequences(found: list[Finding]) -> list[Finding]:
    """Leave out what an angle in the wrong unit does to all that is reckoned with it."""
    in_wrong_unit = {f.about for f in found if f.kind == "unit"}
    if not in_wrong_unit:
        return found
    return [
        f
        for f in found
        if f.kind == "unit"
        or (f.about not in in_wrong_unit and f.kind not in {"not at rest", "does not follow"})
    ]
