"""Says in words, once each, that a link was lost or came back."""

from livealign.snapshot import Snapshot
from livealign.stream.contracts import LinkEvent

__all__ = ["LinkNotices"]


class LinkNotices:
    """Remembers what the person has been told of each link."""

    def __init__(self) -> None:
        self._told: dict[str, str] = {}
        self._since_ns: dict[str, int] = {}
        self._told_of_drops: set[str] = set()

    def event(self, event: LinkEvent) -> str | None:
        """Return what to say about a driver's event, or None if the person knows."""
        if event.dropped and event.link not in self._told_of_drops:
            self._told_of_drops.add(event.link)
            return (
                f"link {event.link}: more comes than can be read; {event.dropped} chunks were dropped "
                "(said once; the counters go on)"
            )
        if event.dropped or event.state == "connecting":
            return None
        if event.state == "open" and self._told.get(event.link) in {"open", "silent"}:
            # It has been open all along, and something is the matter; or no longer, which its data tell.
            return f"link {event.link}: {event.detail}" if event.detail else None
        return self._change(event.link, event.state, event.detail, event.time_ns)

    def snapshot(self, snapshot: Snapshot) -> list[str]:
        """Return what to say about silence, which only the session's watchdog notices."""
        said = []
        for link in snapshot.links:
            silent = self._told.get(link.name) == "silent"
            if link.state == "silent" or (link.state == "open" and silent):
                said.append(self._change(link.name, link.state, link.detail, int(snapshot.time_s * 1e9)))
        return [words for words in said if words]

    def _change(self, link: str, state: str, detail: str, time_ns: int) -> str | None:
        before = self._told.get(link)
        if before == state:
            return None
        self._told[link] = state
        away_s = (time_ns - self._since_ns.get(link, time_ns)) / 1e9
        self._since_ns[link] = time_ns
        if state == "open" and before in {"lost", "silent", "refused"}:
            return f"link {link}: back after {away_s:.1f} s"
        detail = detail.replace("\n", "\n  ")
        return f"link {link}: {_WORDS.get(state, state)}" + (f": {detail}" if detail else "")


_WORDS = {
    "open": "open",
    "silent": "silent: it is open but nothing comes",
    "lost": "lost, will be tried again",
    "refused": "cannot be used until somebody sees to it",
    "ended": "read to its end",
}
