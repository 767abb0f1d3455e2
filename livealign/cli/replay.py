"""`livealign replay`: a recorded session again, on ports or to look at."""

import importlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from livealign.cli.run import Bind
from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.paths import ServiceNote
    from livealign.record.reader import Recording
    from livealign.record.timeline import Cut
    from livealign.service.playback import Playback
    from livealign.session.events import Command, Event

__all__ = ["replay"]

# Named as text: this package knows nothing of the one that makes devices.
_PORT_KINDS = importlib.import_module("livealign_simulators.port_kinds")
_port_options: Callable[[Callable[..., None]], Callable[..., None]] = _PORT_KINDS.port_options
_ON_PORTS = "livealign_simulators.replaying"

_EXAMPLES = """\b
Examples, to look at:
  livealign replay recordings/fan.mcap                     then, in another terminal: livealign watch --note NOTE
  livealign replay recordings/fan.mcap --seek 60 --paused --speed 2
  livealign replay recordings/fan.mcap --headless --json --seek 12.5 --seek 60

\b
Examples, on ports, as if the heads were there:
  livealign replay recordings/fan.mcap --as tcp
  livealign replay recordings/fan.mcap --as mqtt --broker 192.168.4.1 --speed 4 --loop
  livealign replay recordings/fan.mcap --as serial --from 30 --to 90 --dead-time 2
  livealign replay recordings/fan.mcap --as tcp --command-service note.json
      and then: livealign run --job JOB --rig RIG --note note.json

\b
To look at it, POST /api/replay (with the token, see docs/replay.md):
  {"do": "pause"}    {"do": "continue"}    {"do": "speed", "times": 10}
  {"do": "seek", "to_s": 60}    {"do": "skip", "by_s": -5}    {"do": "step", "snapshots": -1}
"""


@click.command(epilog=_EXAMPLES)
@click.argument("session", type=click.Path(path_type=Path))
@click.option(
    "--as",
    "kind",
    type=click.Choice(_PORT_KINDS.KINDS),
    help="Play the links' bytes on ports of this kind; without it, the session is served to look at.",
)
@click.option("--speed", type=click.FloatRange(0.01, 1000), default=1.0, show_default=True, metavar="X")
@click.option("--loop", is_flag=True, help="At the end, begin again.")
@click.option(
    "--json", "as_json", is_flag=True, help="JSON lines: what happens on ports; snapshots if headless."
)
@click.option(
    "--seek",
    "seeks",
    type=click.FloatRange(0),
    multiple=True,
    metavar="S",
    help="To look at: begin there. Headless: print the snapshot of that time; may be repeated.",
)
@click.option("--paused", is_flag=True, help="To look at: begin standing still.")
@click.option("--headless", is_flag=True, help="Serve nothing: print the snapshots of --seek, or the last.")
@click.option(
    "--bind", type=Bind(), default="127.0.0.1:0", show_default=True, help="To look at: where to listen."
)
@click.option(
    "--note", type=click.Path(path_type=Path), help="To look at: file in which to say where the service is."
)
@click.option("--from", "from_s", type=click.FloatRange(0), metavar="S", help="On ports: begin at this time.")
@click.option("--to", "to_s", type=click.FloatRange(0), metavar="S", help="On ports: end at this time.")
@click.option(
    "--dead-time",
    type=click.FloatRange(0),
    metavar="S",
    help="On ports: longer gaps, in which no head sent and nothing was asked for, are made as short as this.",
)
@click.option(
    "--wait",
    type=click.FloatRange(0, 3600),
    metavar="S",
    help="On ports: seconds from the ports' appearance to the first byte.",
)
@click.option(
    "--command-service",
    is_flag=False,
    flag_value=".",
    type=click.Path(path_type=Path),
    metavar="[NOTE]",
    help="On ports: wait for the service that leaves this note (or the usual one), and give it the recorded commands.",
)
@_port_options
def replay(
    *,
    session: Path,
    kind: str | None,
    speed: float,
    loop: bool,
    as_json: bool,
    seeks: tuple[float, ...],
    paused: bool,
    headless: bool,
    bind: tuple[str, int],
    note: Path | None,
    from_s: float | None,
    to_s: float | None,
    dead_time: float | None,
    wait: float | None,
    command_service: Path | None,
    broker: str | None,
    broker_user: str | None,
    broker_password_file: Path | None,
    radios: tuple[str, ...],
) -> None:
    """Play a recorded SESSION again (a .mcap file, or the folder that holds it).

    With --as, virtual heads send what the recorded ones sent, when they sent it; lost links are lost again. The first
    line on standard output is JSON: the ports, the job file, and a rig file with these ports for `livealign run`.

    Without --as, the session is computed again at its own pace and served to `livealign watch`; --headless only prints.
    Ctrl-C ends it.
    """
    from livealign.record.reader import Recording, find_recording

    on_ports = {
        "--from": from_s, "--to": to_s, "--dead-time": dead_time, "--wait": wait, "--command-service": command_service,
        "--broker": broker, "--broker-user": broker_user, "--broker-password-file": broker_password_file,
        "--radio": radios or None,
    }  # fmt: skip
    to_look_at = {"--seek": seeks, "--paused": paused, "--headless": headless, "--note": note}
    if kind is None:
        _only_with(on_ports, "--as")
        recording = Recording(find_recording(session))
        if headless:
            _print(recording, seeks, as_json=as_json)
        else:
            _serve(recording, seeks, bind, note, {"speed": speed, "paused": paused, "loop": loop})
        return
    if wrong := [name for name, value in to_look_at.items() if value]:
        raise click.UsageError(f"{wrong[0]} and --as exclude each other.")
    from livealign.record.timeline import Cut

    if to_s is not None and to_s <= (from_s or 0.0):
        raise click.UsageError("--to must be later than --from.")
    means = _PORT_KINDS.means(
        kind, broker=broker, user=broker_user, password_file=broker_password_file, radios=radios
    )
    cut = Cut(from_s or 0.0, to_s, dead_time)
    options: dict[str, Any] = {"speed": speed, "loop": loop, "wait_s": wait or 0.0}
    if command_service is not None:
        from livealign.paths import default_note_path

        options["commands_to"] = default_note_path() if command_service == Path() else command_service
    _on_ports(Recording(find_recording(session)), cut, means, options, as_json=as_json)


def _only_with(given: dict[str, Any], option: str) -> None:
    if wrong := [name for name, value in given.items() if value is not None]:
        raise click.UsageError(f"{wrong[0]} needs {option}.")


# ---- on ports


def _on_ports(
    recording: "Recording", cut: "Cut", means: Any, options: dict[str, Any], *, as_json: bool
) -> None:
    from livealign.config.load import parse_pair
    from livealign.record.timeline import length_s, timeline
    from livealign.session.events import Command

    inside = f"{recording.path}:"
    _, rig = parse_pair(recording.job_text, recording.rig_text, f"{inside}job.toml", f"{inside}rig.toml")
    asked = _asked() if "commands_to" in options else (lambda _command: {})

    def course() -> Any:
        for due_ns, item in timeline(recording.items(), cut):
            yield due_ns, asked(item) if isinstance(item, Command) else item

    on_ports = importlib.import_module(_ON_PORTS)
    show = on_ports.Replay(
        course=course,
        until_s=length_s(recording, cut),
        rig=rig,
        job_text=recording.job_text,
        means=means,
        **options,
    )
    on_ports.replay_on_ports(show, as_json=as_json)
    _tell_if_torn(recording)


def _asked() -> "Callable[[Command], dict[str, Any]]":
    """Return what turns a recorded command into a request to the API."""
    from typing import get_args

    from livealign.service.app import AnyCommand

    models = {m.model_fields["name"].annotation: m for m in get_args(get_args(AnyCommand)[0])}
    fields = {get_args(name)[0]: tuple(model.model_fields) for name, model in models.items()}

    def asked(command: "Command") -> dict[str, Any]:
        return {name: getattr(command, name) for name in fields[command.name]}

    return asked


# ---- to look at


def _events(recording: "Recording") -> "list[Event]":
    from livealign.record.reader import RecordedSnapshot

    events = [item for item in recording.items() if not isinstance(item, RecordedSnapshot)]
    _tell_if_torn(recording)
    return events


def _playback(recording: "Recording", **options: Any) -> "Playback":
    from livealign.cli.solve import fresh_session
    from livealign.service.playback import Playback

    return Playback(lambda: fresh_session(recording, None, None), _events(recording), **options)


def _print(recording: "Recording", seeks: tuple[float, ...], *, as_json: bool) -> None:
    from livealign.cli.result_words import result_words
    from livealign.snapshot import decode

    playback = _playback(recording)
    for to_s in sorted(seeks) or [float(playback.state()["until_s"])]:
        encoded = playback.feed_until(to_s)
        if encoded is None:
            raise PersonError(f"nothing is known yet at {to_s:g} s", where=str(recording.path))
        snapshot = decode(encoded)
        click.echo(encoded if as_json else f"{snapshot.time_s:.2f} s\n{result_words(snapshot)}\n")


def _serve(
    recording: "Recording",
    seeks: tuple[float, ...],
    bind: tuple[str, int],
    note: Path | None,
    options: dict[str, Any],
) -> None:
    import asyncio

    from livealign.paths import default_note_path

    if len(seeks) > 1:
        raise click.UsageError("More than one --seek needs --headless.")
    # Beside the usual one, which may be that of a machine that is being measured.
    where = note or default_note_path().with_name("replay.json")
    try:
        asyncio.run(_served(_playback(recording, **options), seeks, bind, where))
    except KeyboardInterrupt:  # a second Ctrl-C
        raise PersonError("stopped at once", exit_code=130) from None


async def _served(playback: "Playback", seeks: tuple[float, ...], bind: tuple[str, int], where: Path) -> None:
    import asyncio

    from livealign.service.replay_api import add_replay
    from livealign.service.server import listen, new_token, serve

    sought: list[asyncio.Task[None]] = []

    def ready(left: "ServiceNote") -> None:
        click.echo(f"Serving at {left.url}")
        click.echo(f"Note for clients, with the token: {where}")
        click.echo(f"Watch it with: livealign watch --note {where}        End it with: Ctrl-C")
        sought.extend(asyncio.ensure_future(playback.seek(to_s)) for to_s in seeks)

    with listen(bind) as listening:
        try:
            await serve(
                playback,
                listening,
                token=new_token(),
                note=where,
                ready=ready,
                extend=lambda app: add_replay(app, playback),
            )
        finally:
            for task in sought:
                task.cancel()
            await asyncio.gather(*sought, return_exceptions=True)


def _tell_if_torn(recording: "Recording") -> None:
    if recording.torn:
        click.echo(f"{recording.path}: {recording.torn}; what stands before is used.", err=True)
