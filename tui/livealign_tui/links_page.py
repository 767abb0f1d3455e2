"""Links: what each wire or radio brings and loses, and what its channels say."""

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content

from livealign.snapshot import ChannelState, LinkStatus, Snapshot
from livealign_tui.block import Block, Cell, known, line, row
from livealign_tui.page import Page, advice_lines
from livealign_tui.words import NOT_KNOWN, Units, number, printable, units_of, wrap

__all__ = ["LinksPage"]

_LINK_COLUMNS = (10, 10, -9, -7, -5, -6, -7, -10)
_CHANNEL_COLUMNS = (18, -14, -9, -14, 0)
_TROUBLE = "bold $not-conforming"


class LinksPage(Page):
    """Table of links over table of channels."""

    def compose(self) -> ComposeResult:
        """Build the page."""
        with VerticalScroll(can_focus=False):
            yield Block(id="links-table")
            yield Block(id="channels-table")
        yield Block(id="links-advice")

    def fill(self, snapshot: Snapshot) -> None:
        """Put the snapshot into the tables."""
        width = self.size.width
        self.query_one("#links-table", Block).show(_link_lines(snapshot, width))
        self.query_one("#channels-table", Block).show(_channel_lines(snapshot, width))
        self.query_one("#links-advice", Block).show(advice_lines(snapshot, width, 2))


def _spread(columns: tuple[int, ...], width: int) -> list[int]:
    """Return the column widths with the first grown by some of the room that is left."""
    grown = min(max(width - 82, 0), 20)
    return [columns[0] + grown, *columns[1:]]


def _link_lines(snapshot: Snapshot, width: int) -> list[Content]:
    widths = _spread(_LINK_COLUMNS, width)
    heads = ("link", "state", "rate", "records", "bad", "missed", "dropped", "reconnects")
    lines = [_indented(row([(head, "$quiet") for head in heads], widths))]
    if not snapshot.links:
        lines.append(line(" no links"))
    for link in snapshot.links:
        lines.append(_indented(row(_link_cells(link), widths)))
        lines += _link_remarks(link, snapshot.time_s, width)
    return [*lines, line("")]


def _indented(content: Content) -> Content:
    return line(" ", content)


def _link_cells(link: LinkStatus) -> list[Cell]:
    counters = link.counters
    state_style = (
        "" if link.state == "open" else "$unknown" if link.state in ("connecting", "ended") else _TROUBLE
    )
    rate = NOT_KNOWN if link.rate_hz is None else f"{link.rate_hz:.1f} Hz"
    cells: list[Cell] = [
        (printable(link.name), "bold"),
        (link.state, state_style),
        known(rate),
        _count(counters.records),
    ]
    losses = (counters.bad, counters.missed, counters.dropped, counters.reconnects)
    return [*cells, *((_count(n), "bold" if n else "") for n in losses)]


def _count(n: int) -> str:
    return str(n) if n < 1_000_000 else f"{n / 1e6:.2f}M"


def _link_remarks(link: LinkStatus, now_s: float, width: int) -> list[Content]:
    """Return what is told below a link: since when, how well its clock is known, what was wrong last."""
    clock = (
        "clock not known" if link.clock_u_ms is None else f"clock known within {2 * link.clock_u_ms:.1f} ms"
    )
    since = f"{link.state} for {_duration(max(now_s - link.since_s, 0.0))}"
    remarks = [(f"{since}, {clock}", "$quiet")]
    more = ((link.counters.repeated, "repeated"), (link.counters.unpaired, "without an angle"))
    if any(n for n, _ in more):
        remarks.append(("left out: " + ", ".join(f"{n} {why}" for n, why in more if n), "bold"))
    others = ((link.counters.late, "came late"), (link.counters.restarts, "restarts of the head"))
    if any(n for n, _ in others):
        remarks.append((", ".join(f"{n} {what}" for n, what in others if n), ""))
    if link.detail:
        remarks.append((link.detail, ""))
    if link.last_bad:
        remarks.append((f"last bad: {link.last_bad}", "$quiet"))
    return [line("    ", (part, style)) for text, style in remarks for part in wrap(text, width - 6, rows=2)]


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def _channel_lines(snapshot: Snapshot, width: int) -> list[Content]:
    if not snapshot.channels:
        return [line((" no channels", "$quiet"))]
    widths = _spread(_CHANNEL_COLUMNS, width)
    heads = ("channel", "value", "rate", "noise", "flags")
    lines = [_indented(row([(head, "$quiet") for head in heads], widths))]
    units = units_of(snapshot.units)
    return lines + [_indented(row(_channel_cells(channel, units), widths)) for channel in snapshot.channels]


def _channel_cells(channel: ChannelState, units: Units) -> list[Cell]:
    trouble = bool(set(channel.flags) - {"steady"})
    rate = NOT_KNOWN if channel.rate_hz is None else f"{channel.rate_hz:.1f} Hz"
    value, noise = (
        _in_unit(n, channel.unit, units, sign) for n, sign in ((channel.value, True), (channel.noise, False))
    )
    flags: Cell = (", ".join(channel.flags) or "-", _TROUBLE if trouble else "")
    if channel.kind == "auxiliary":
        value = _in_unit(channel.value, channel.unit, units, sign=False)
        return [(printable(channel.name), "bold"), known(value), known(rate), ("-", ""), flags]
    return [(printable(channel.name), "bold"), known(value), known(rate), known(noise), flags]


def _in_unit(value: float | None, unit: str, units: Units, sign: bool) -> str:
    """Return a channel's number; millimetres in what the person wants to read."""
    if value is None:
        return NOT_KNOWN
    if unit == "mm":
        return f"{number(value * units.per_mm, units.decimals + 1, sign=sign)} {units.length}"
    return f"{number(value, 2, sign=sign)} {unit}"
