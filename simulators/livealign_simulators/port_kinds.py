"""The kinds of ports, the options that name what they need, and the ports of a whole rig."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar, get_args

import click

from livealign.errors import PersonError
from livealign_simulators.ports import Port, PtyPort, TcpPort, have_ptys

if TYPE_CHECKING:
    from livealign_simulators.mqtt_port import Broker

__all__ = [
    "DEFAULT_KIND",
    "KINDS",
    "Means",
    "PortKind",
    "close_ports",
    "make_ports",
    "means",
    "pieces",
    "port_options",
]

PortKind = Literal["serial", "tcp", "udp", "mqtt", "ble"]
KINDS: tuple[PortKind, ...] = get_args(PortKind)
DEFAULT_KIND: PortKind = "serial" if have_ptys() else "tcp"

_Command = TypeVar("_Command", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Means:
    """What ports are made of."""

    kind: PortKind
    broker: "Broker | None" = None
    """For MQTT."""
    radios: tuple[str, ...] = ()
    """For Bluetooth LE: one for each link."""
    records_a_message: int = 1
    """Most records that a message holds; streams have no messages."""


def port_options(command: _Command) -> _Command:
    """Give a command the options that ports of some kinds need; `means` takes them."""
    options = (
        click.option(
            "--broker",
            metavar="HOST[:PORT]",
            help="With --as mqtt: where to publish.  [127.0.0.1:1883]",
        ),
        click.option("--broker-user", metavar="NAME", help="With --as mqtt: as whom."),
        click.option(
            "--broker-password-file",
            type=click.Path(path_type=Path, dir_okay=False),
            help="With --as mqtt: a file with nothing but the password.",
        ),
        click.option(
            "--radio",
            "radios",
            multiple=True,
            metavar="NAME",
            help="With --as ble: a controller for one link, such as usb:0 or tcp-client:HOST:PORT; once for each link.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def means(
    kind: PortKind,
    *,
    broker: str | None,
    user: str | None,
    password_file: Path | None,
    radios: tuple[str, ...],
    records_a_message: int = 1,
) -> Means:
    """Return what the options of `port_options` mean.

    Raises:
        click.UsageError: if they do not fit together.
    """
    if kind != "mqtt" and (broker or user or password_file):
        raise click.UsageError("--broker and what belongs to it need --as mqtt.")
    if kind != "ble" and radios:
        raise click.UsageError("--radio needs --as ble.")
    if password_file and not user:
        raise click.UsageError("--broker-password-file needs --broker-user.")
    if kind != "mqtt":
        return Means(kind, radios=radios, records_a_message=records_a_message)
    from livealign_simulators.mqtt_port import Broker  # noqa: PLC0415 - loads the MQTT library

    host, colon, port = (broker or "127.0.0.1").rpartition(":")
    if not colon:
        host, port = port, "1883"
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise click.UsageError(f"--broker {broker} is not HOST[:PORT].")
    file = None if password_file is None else password_file.absolute()
    return Means(kind, Broker(host.strip("[]"), int(port), user, file), records_a_message=records_a_message)


def make_ports(preambles: Mapping[str, bytes], means: Means, folder: Path) -> dict[str, Port]:
    """Return a port for each link, unplugged.

    Args:
        preambles: by link, what its device sends first.
        means: what the ports are made of.
        folder: where serial ports get their names.

    Raises:
        PersonError: if a link has no radio.
    """
    if means.kind == "ble" and len(means.radios) != len(preambles):
        raise PersonError(
            f"{len(preambles)} heads on the air need as many radios; {len(means.radios)} are given",
            advice=f"Give --radio once for each link, in this order: {', '.join(preambles)}.",
        )
    return {
        link: _port(link, number, preamble, means, folder)
        for number, (link, preamble) in enumerate(preambles.items())
    }


async def close_ports(ports: Iterable[Port]) -> None:
    """Unplug all and let go of what they were made of."""
    for port in ports:
        await port.close()


def pieces(records: list[bytes], port: Port, records_a_message: int) -> Iterator[bytes]:
    """Yield what is to be written: all at once to a stream, else in messages of so many records at most."""
    each = records_a_message if port.messages else max(1, len(records))
    for at in range(0, len(records), each):
        yield b"".join(records[at : at + each])


def _port(link: str, number: int, preamble: bytes, means: Means, folder: Path) -> Port:
    match means.kind:
        case "serial":
            # Names that make no file name are numbered.
            fit = link.replace("-", "").replace("_", "").replace(" ", "").isalnum()
            return PtyPort(folder / (link if fit else f"port-{number}"), preamble)
        case "tcp":
            return TcpPort(preamble)
        case "udp":
            from livealign_simulators.udp_port import UdpPort  # noqa: PLC0415 - as below

            return UdpPort(preamble)
        case "mqtt":
            from livealign_simulators.mqtt_port import Broker, MqttPort  # noqa: PLC0415 - what is not used is not loaded

            return MqttPort(means.broker or Broker("127.0.0.1"), link, preamble)
        case "ble":
            from livealign_simulators.ble_port import BlePort  # noqa: PLC0415 - as above

            return BlePort(means.radios[number], number + 1, preamble)
