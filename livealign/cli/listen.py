"""`livealign listen`."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.listen.sources import Source

__all__ = ["listen"]

MQTT_PORT = 1883


@click.command(
    epilog="\b\nExamples:\n"
    "  livealign listen\n"
    "  livealign listen --ble --mqtt broker.lan\n"
    "  livealign listen /dev/ttyUSB0\n"
    "  livealign listen stationary=/dev/ttyUSB0 movable=/dev/ttyUSB1 --write rig.toml\n"
    "  livealign listen tcp://192.168.4.1:3333 udp://:4210 --yes --seconds 10\n"
    "  livealign listen mqtt://broker.lan/heads/S/readings ble:head-M --json\n"
    "\nExit code 0: something was found. 1: nothing that can be read. 2: the command cannot be understood."
)
@click.argument("source", nargs=-1)
@click.option("--ble", is_flag=True, help="List Bluetooth LE devices too (without SOURCE).")
@click.option("--mqtt", metavar="HOST[:PORT]", help="List the topics of this broker too (without SOURCE).")
@click.option("--user", help="For the broker of --mqtt; for a SOURCE write mqtt://USER@HOST/TOPIC.")
@click.option(
    "--password-file", type=click.Path(dir_okay=False), help="A file with nothing but the broker's password."
)
@click.option(
    "--baud", type=click.IntRange(min=1), help="Of serial ports; left out, the usual ones are tried."
)
@click.option(
    "--seconds",
    type=click.FloatRange(0.5, 600),
    default=4.0,
    show_default=True,
    help="How long to listen before anything is asked.",
)
@click.option("--yes", is_flag=True, help="Ask nothing, take the best guess.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object; asks nothing.")
@click.option("--write", type=click.Path(dir_okay=False, path_type=Path), help="Write the rig file there.")
@click.option("--force", is_flag=True, help="Let --write replace a file that is there.")
def listen(
    *,
    source: tuple[str, ...],
    ble: bool,
    mqtt: str | None,
    user: str | None,
    password_file: str | None,
    baud: int | None,
    seconds: float,
    yes: bool,
    as_json: bool,
    write: Path | None,
    force: bool,
) -> None:
    """Find out what a sensor head sends, and write a rig file for it.

    Without SOURCE, lists what there is to listen to. SOURCE is a port (/dev/ttyUSB0, COM3), tcp://HOST:PORT, udp://:PORT,
    mqtt://[USER@]HOST[:PORT]/TOPIC, ble:NAME or ble:ADDRESS, or a file with captured bytes; several are several heads,
    the first on the stationary shaft and the second on the movable one unless stationary= or movable= stands before them.

    At a terminal it asks to turn the shafts a little, which tells angles from positions.
    """
    import asyncio

    try:
        if not source:
            if write is not None:
                raise click.UsageError("--write needs a SOURCE.")
            asyncio.run(
                _list(
                    ble=ble,
                    mqtt=mqtt,
                    user=user,
                    password_file=password_file,
                    seconds=seconds,
                    as_json=as_json,
                )
            )
            return
        if ble or mqtt is not None:
            raise click.UsageError("--ble and --mqtt list what is there: give them without SOURCE.")
        if write is not None and write.exists() and not force:
            raise PersonError(
                "is there already and is not replaced",
                where=str(write),
                advice="Choose another name, or add --force.",
                exit_code=2,
            )
        from livealign.listen.sources import read_sources

        sources = read_sources(source, baud=baud, password_file=password_file)
        _find(sources, seconds=seconds, ask=not (yes or as_json), as_json=as_json, write=write)
    except (KeyboardInterrupt, click.Abort):
        raise PersonError("stopped; nothing was written", exit_code=130) from None


async def _list(
    *, ble: bool, mqtt: str | None, user: str | None, password_file: str | None, seconds: float, as_json: bool
) -> None:
    from livealign.cli.listen_words import list_lines, print_json
    from livealign.listen.around import ble_devices, mqtt_topics, serial_ports

    found: dict[str, list[dict[str, object]]] = {"serial": serial_ports()}
    errors: list[str] = []
    try:
        if ble:
            found["ble"] = await ble_devices(seconds)
    except PersonError as e:
        errors.append(str(e))
    try:
        if mqtt is not None:
            host, port = _broker(mqtt)
            password = None if password_file is None else _password(password_file)
            found["mqtt"] = await mqtt_topics(host, port, seconds, username=user, password=password)
    except PersonError as e:
        if e.exit_code == 2:
            raise
        errors.append(str(e))
    if as_json:
        print_json({**found, "errors": errors})
    else:
        for line in list_lines(found, asked_ble=ble, mqtt=mqtt):
            click.echo(line)
        for error in errors:
            click.secho(f"Error: {error}", fg="red", err=True)
    if not any(found.values()):
        raise click.exceptions.Exit(1)


def _broker(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]"):
        return text.strip("[]"), MQTT_PORT
    if not host or not port.isdecimal() or not 0 < int(port) <= 65535:
        raise PersonError(f"{text!r} is not HOST or HOST:PORT", exit_code=2)
    return host.strip("[]"), int(port)


def _password(path: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as e:
        raise PersonError(f"the password cannot be read: {e}", where=path, exit_code=2) from None


def _find(sources: "list[Source]", *, seconds: float, ask: bool, as_json: bool, write: Path | None) -> None:
    import asyncio
    import sys

    from livealign.cli.listen_live import Screen, asked, find_heads
    from livealign.cli.listen_words import found_lines, found_values, print_json

    asks = ask and sys.stdin.isatty() and sys.stdout.isatty()
    screen = Screen(quiet=as_json)
    found = asyncio.run(find_heads(sources, seconds=seconds, asks=asks, screen=screen))
    if asks:
        found = asked(found)
    text, problem = found.rig()
    written = None
    if write is not None and text is not None:
        _write(write, text)
        written = str(write)
    if as_json:
        print_json(found_values(found, text, problem, written))
    else:
        for line, colour in found_lines(found):
            click.secho(line, fg=colour)
        if text is not None and written is None:
            click.echo(f"\n{text}", nl=False)
        elif written is not None:
            click.echo(f"\nWritten: {written}\nCheck it with: livealign check job.toml {written}")
    if problem:
        raise PersonError(problem, exit_code=0 if found.heads and write is None else 1)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as e:
        raise PersonError(f"cannot be written: {e.strerror or e}", where=str(path)) from e
