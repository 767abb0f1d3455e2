"""The dashboard's commands by name, for the command palette."""

from collections.abc import Awaitable, Callable

from textual.command import DiscoveryHit, Hit, Hits, Provider

__all__ = ["Commands"]

_COMMANDS = (
    ("Links", "page('links')", "What each link brings and loses"),
    ("Readiness", "page('readiness')", "The checklist, soft feet, the shaft while bolts are tightened"),
    ("Rotation", "page('rotation')", "What of the turn has been read"),
    ("Findings", "page('findings')", "How the shafts lie and what to move"),
    ("Adjust", "page('adjust')", "Follow the machine live"),
    ("Begin or end the rotation", "toggle_rotation", "Start reading a turn, or compute from it"),
    ("Adjust up and down", "follow('vertical')", "Follow the machine while it is shimmed"),
    ("Adjust sideways", "follow('horizontal')", "Follow the machine while it is shifted"),
    ("Pause reading, or go on", "pause", "Values are shown but kept out of the result"),
    ("Soft foot", "readiness('f')", "Find soft feet, one bolt at a time"),
    ("Bolts tightened", "readiness('t')", "Watch the shaft while flanges or bolts are tightened"),
    ("Add a note", "note", "Write a line into the record"),
    ("Uncertainty budget", "budget", "What the uncertainty of the findings is made of"),
    ("Large digits", "large", "Numbers that are read from two metres"),
    ("Chart: next value", "chart", "Follow the offset, or the move at a foot plane"),
)


class Commands(Provider):
    """Pages and actions."""

    async def discover(self) -> Hits:
        """List all commands."""
        for name, action, text in _COMMANDS:
            yield DiscoveryHit(name, self._runner(action), help=text)

    async def search(self, query: str) -> Hits:
        """List the commands that match."""
        matcher = self.matcher(query)
        for name, action, text in _COMMANDS:
            score = matcher.match(name)
            if score > 0:
                yield Hit(score, matcher.highlight(name), self._runner(action), help=text)

    def _runner(self, action: str) -> Callable[[], Awaitable[None]]:
        async def run() -> None:
            await self.screen.run_action(action)

        return run
