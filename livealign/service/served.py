"""What may stand behind the API."""

from typing import Any, Protocol

from livealign.service.hub import Hub
from livealign.session.events import CommandName

__all__ = ["Served"]


class Served(Protocol):
    """The daemon, or a replay in its place."""

    hub: Hub

    async def run(self) -> None:
        """Run until `stop` is called."""
        ...

    def stop(self) -> None:
        """Ask `run` to end."""
        ...

    async def command(self, name: CommandName, **said: Any) -> float:
        """Obey a command and return when that was, in seconds; raises RefusedError if it cannot be obeyed now."""
        ...

    def health(self) -> dict[str, Any]:
        """Return the counters of everything that is bounded."""
        ...
