"""What is known of each link: its state, and whether it has fallen silent."""

from dataclasses import dataclass

from livealign.snapshot import CounterState, LinkStatus
from livealign.stream.contracts import LinkEvent, LinkState
from livealign.stream.reader import LinkReader

__all__ = ["LinkBook"]

NOTHING_COMES = "open, but nothing comes: is the head switched on, and its cable whole?"
_LEAST_SILENCE_S = 1.0
_SILENCE_PERIODS = 20.0


@dataclass
class LinkBook:
    """The state of one link, kept from its events and its data; silence is noticed from the data, not from callbacks."""

    name: str
    reader: LinkReader
    state: LinkState = "connecting"
    detail: str = ""
    since_s: float = 0.0
    dropped: int = 0
    opened: int = 0
    _complaint: str = ""
    _last_data_s: float | None = None
    _gap_s: float | None = None

    def event(self, event: LinkEvent, now_s: float) -> None:
        """Take what the driver says."""
        self.dropped += event.dropped
        if event.state == "open" and self.state not in {"open", "silent"}:
            self.opened += 1
            self._last_data_s = now_s
        if event.dropped or event.state in {"lost", "refused"}:
            self.reader.interrupted()
        if event.state != self.state:
            self.since_s = now_s
        self.state, self.detail = event.state, event.detail
        if not event.dropped:
            # What a driver says of a link that stays open is why it is silent: it asks, and the head does not answer.
            self._complaint = event.detail if event.state == "open" else ""

    def data(self, now_s: float) -> None:
        """Take note that bytes came, and how often they do."""
        if self._last_data_s is not None:
            gap = now_s - self._last_data_s
            self._gap_s = gap if self._gap_s is None else self._gap_s + 0.05 * (gap - self._gap_s)
        self._last_data_s = now_s
        if self.state == "silent":
            self.state, self.detail, self.since_s = "open", "", now_s

    def silent(self, now_s: float) -> bool:
        """Is nothing to be expected from it now? Turns an open link that has fallen silent into that state."""
        if self.state == "open" and self._last_data_s is not None:
            patience = max(_LEAST_SILENCE_S, _SILENCE_PERIODS * (self._gap_s or 0.0))
            if now_s - self._last_data_s > patience:
                self.state, self.since_s = "silent", self._last_data_s
                self.detail = self._complaint or NOTHING_COMES
        return self.state != "open"

    def status(self, now_s: float, unpaired: int = 0) -> LinkStatus:
        """Return what everybody sees of it; `unpaired` positions of it found no angle."""
        r = self.reader
        clock = r.clock_u_s
        rate = r.rate.rate_hz(now_s)
        return LinkStatus(
            name=self.name,
            state=self.state,
            detail=self.detail,
            since_s=round(self.since_s, 3),
            rate_hz=None if rate is None else round(rate, 1),
            clock_u_ms=None if clock is None else round(1e3 * clock, 3),
            counters=CounterState(
                frames=r.frames,
                bytes=r.bytes,
                records=r.records,
                bad=r.bad,
                missed=r.missed,
                repeated=r.repeated,
                late=r.late,
                restarts=r.restarts,
                unpaired=unpaired,
                dropped=self.dropped,
                reconnects=max(0, self.opened - 1),
            ),
            last_bad=r.last_bad,
        )
