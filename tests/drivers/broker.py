"""A real Mosquitto with a password, TLS and certificates of our own; or, where it is installed, amqtt."""

import asyncio
import datetime as dt
import ipaddress
import json
import os
import shutil
import signal
import socket
import subprocess
from pathlib import Path

import aiomqtt
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from livealign_drivers.mqtt import MqttDriver, MqttOptions

USER, PASSWORD = "rig", "swordfish"
TOPIC = "heads/S/readings"
PROGRAM = shutil.which("mosquitto", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"]))
AMQTT = shutil.which("amqtt")

CONF = """\
{user}allow_anonymous false
password_file {folder}/passwords
max_queued_messages 0
listener {port} 127.0.0.1
listener {tls_port} 127.0.0.1
certfile {folder}/broker.pem
keyfile {folder}/broker.key
"""


def write_certificates(folder: Path) -> None:
    """Write an authority's certificate, a broker's for localhost, and one of an authority that signed nothing."""
    keys = [ec.generate_private_key(ec.SECP256R1()) for _ in range(3)]
    for name, key, issuer, issuer_key in (
        ("authority", keys[0], "authority", keys[0]),
        ("broker", keys[1], "authority", keys[0]),
        ("stranger", keys[2], "stranger", keys[2]),
    ):
        made = _certificate(name, key, issuer, issuer_key)
        (folder / f"{name}.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "broker.key").write_bytes(
        keys[1].private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )


def _certificate(
    name: str, key: ec.EllipticCurvePrivateKey, issuer: str, issuer_key: ec.EllipticCurvePrivateKey
) -> x509.Certificate:
    now, authority = dt.datetime.now(dt.UTC), name == issuer
    builder = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
        .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=2))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_key.public_key()), critical=False
        )
    )
    if authority:
        usage = x509.KeyUsage(
            digital_signature=False, content_commitment=False, key_encipherment=False,
            data_encipherment=False, key_agreement=False, key_cert_sign=True, crl_sign=True,
            encipher_only=False, decipher_only=False,
        )  # fmt: skip
        builder = builder.add_extension(usage, critical=True)
    else:
        names = [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
        builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
    return builder.sign(issuer_key, hashes.SHA256())


class MqttPart:
    """A broker that keeps its ports when it comes back, and a client that publishes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port, self.tls_port = _free_port(), _free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._publisher: aiomqtt.Client | None = None
        write_certificates(folder)
        self._configure(folder)

    def _configure(self, folder: Path) -> None:
        command = ["mosquitto_passwd", "-b", "-c", str(folder / "passwords"), USER, PASSWORD]
        subprocess.run(command, check=True)
        user = "user root\n" if hasattr(os, "geteuid") and os.geteuid() == 0 else ""
        (folder / "conf").write_text(
            CONF.format(folder=folder, port=self.port, tls_port=self.tls_port, user=user)
        )

    def _program(self) -> str:
        assert PROGRAM is not None
        return PROGRAM

    async def appear(self) -> None:
        with (self.folder / "log").open("ab") as log:
            command = [self._program(), "-c", str(self.folder / "conf")]
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)  # noqa: ASYNC220
        async with asyncio.timeout(20):
            while not await self._listens():
                assert self._process.poll() is None, (self.folder / "log").read_text()
                await asyncio.sleep(0.01)
        self._publisher = self.client()
        await self._publisher.__aenter__()

    async def vanish(self, *, kill: bool = False) -> None:
        if self._publisher is not None:
            await self._publisher.__aexit__(None, None, None)
            self._publisher = None
        if self._process is not None:
            self.go_on()
            self._process.send_signal(signal.SIGKILL if kill else signal.SIGTERM)
            await asyncio.to_thread(self._process.wait)
            self._process = None

    def freeze(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    async def send(
        self, data: bytes | None, topic: str = TOPIC, *, qos: int = 1, retain: bool = False
    ) -> None:
        assert self._publisher is not None
        await self._publisher.publish(topic, data, qos=qos, retain=retain)

    def client(self, identifier: str | None = None) -> aiomqtt.Client:
        return aiomqtt.Client("127.0.0.1", self.port, username=USER, password=PASSWORD, identifier=identifier)

    def driver(self, clock, *, reconnect_max_s: float = 0.05, **options) -> MqttDriver:
        given = {
            "host": "127.0.0.1",
            "port": self.tls_port if options.get("tls") else self.port,
            "topic": TOPIC,
            "username": USER,
            "password": PASSWORD,
            "add_line_end": False,
        }
        chosen = MqttOptions(**(given | options), reconnect_max_s=reconnect_max_s)
        return MqttDriver("head S", chosen, clock)

    async def _listens(self) -> bool:
        for port in (self.port, self.tls_port):
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", port)
            except OSError:
                return False
            writer.close()
            await writer.wait_closed()
        return True


class AmqttPart(MqttPart):
    """The same on amqtt, which asks for a user name and believes any password."""

    def _configure(self, folder: Path) -> None:
        encrypted = {
            "ssl": True,
            "certfile": str(folder / "broker.pem"),
            "keyfile": str(folder / "broker.key"),
        }
        conf = {
            "listeners": {
                "default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"},
                "encrypted": {"bind": f"127.0.0.1:{self.tls_port}", **encrypted},
            },
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": False},
            },
        }
        (folder / "conf").write_text(json.dumps(conf))  # YAML, too

    def _program(self) -> str:
        assert AMQTT is not None
        return AMQTT


def _free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]
