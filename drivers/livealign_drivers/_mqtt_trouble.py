"""What went wrong between this program and an MQTT broker, and what the person can do about it."""

import socket
import ssl

from aiomqtt.exceptions import MqttCodeError, MqttConnectError

from livealign_drivers._reconnecting import LinkError

__all__ = ["closed_by_broker", "why_not_allowed", "why_not_connected", "why_thrown_out"]

# The broker's answers by number, as MQTT 5 counts them; aiomqtt turns those of MQTT 3.1.1 into these.
OTHER_VERSION = 132
BAD_CLIENT_ID = 133
BAD_LOGIN = (134, 135)


def why_not_connected(error: Exception, peer: str, *, with_login: bool) -> LinkError:
    """Return what to say of a connection that could not be made or has gone."""
    if isinstance(error, MqttConnectError):
        return _turned_away(error, peer, with_login=with_login)
    cause = _cause(error)
    if isinstance(cause, ssl.SSLError) and not isinstance(cause, ssl.SSLEOFError):
        return _no_tls(cause, peer)
    return LinkError("lost", _loss(error, cause, peer))


def closed_by_broker(error: Exception) -> bool:
    """Say whether it was the broker that ended a connection that stood."""
    cause = _cause(error)
    return (
        isinstance(cause, MqttCodeError)
        and not isinstance(cause, MqttConnectError)
        and "Keep alive" not in str(cause)
    )


def why_thrown_out(client_id: str, peer: str) -> LinkError:
    """Return what to say when another client of the same id connects again and again."""
    why = (
        f"{peer} closes the connection soon after each attempt: another client has the `client_id` {client_id!r} too. "
        "Stop it, or give this link one of its own in the rig file; until then it gives way, for up to 5 min at a time"
    )
    return LinkError("refused", why)


def why_not_allowed(topic: str, peer: str) -> LinkError:
    """Return what to say when the broker does not let this user read a topic."""
    why = (
        f"{peer} does not let this user read {topic!r}: correct `topic` or `username` in the rig file, or what "
        "the broker allows"
    )
    return LinkError("refused", why)


def _cause(error: Exception) -> BaseException:
    """Return what an error came from: what aiomqtt itself raises is text only."""
    return error.__cause__ or error.__context__ or error


def _turned_away(error: MqttConnectError, peer: str, *, with_login: bool) -> LinkError:
    code = error.rc if isinstance(error.rc, int) or error.rc is None else error.rc.value
    if code in BAD_LOGIN and with_login:
        why = f"{peer} refuses this user name and password: correct `username` and `password_file` in the rig file"
        return LinkError("refused", why)
    if code in BAD_LOGIN:
        why = f"{peer} wants a user name and password: give `username` and `password_file` in the rig file"
        return LinkError("refused", why)
    if code == BAD_CLIENT_ID:
        return LinkError("refused", f"{peer} refuses the client id: correct `client_id` in the rig file")
    if code == OTHER_VERSION:
        return LinkError("refused", f"{peer} does not speak MQTT 3.1.1: allow it in the broker's settings")
    return LinkError("lost", f"{peer} accepts no clients now ({error}): look at the broker's log")


def _no_tls(cause: ssl.SSLError, peer: str) -> LinkError:
    if isinstance(cause, ssl.SSLCertVerificationError):
        why = (
            f"the certificate of {peer} is not trusted ({cause.verify_message}): name the certificate of the "
            "authority that signed it as `ca_file`, and as `host` a name that stands in it"
        )
        return LinkError("refused", why)
    why = (
        f"no encrypted connection to {peer} can be made ({cause.reason or cause}): correct `port`, or leave "
        "`tls` and `ca_file` out if the broker has no TLS there"
    )
    return LinkError("refused", why)


def _loss(error: Exception, cause: BaseException, peer: str) -> str:
    if isinstance(cause, ConnectionRefusedError):
        return f"nothing listens at {peer}: start the broker, or correct `host` and `port` in the rig file"
    if isinstance(cause, socket.gaierror | UnicodeError):
        return f"the host of {peer} is not known: correct `host` in the rig file"
    if isinstance(cause, ssl.SSLEOFError | ConnectionResetError):
        return f"{peer} hung up at once: is it being stopped, or do `port` and `tls` not belong together?"
    if isinstance(cause, TimeoutError):
        return f"{peer} does not answer as an MQTT broker: check its power, its address, `port` and `tls`"
    if isinstance(cause, MqttCodeError) and "Keep alive" in str(cause):
        return f"{peer} no longer answers: check its power and the network"
    if isinstance(cause, OSError):
        return f"{peer} cannot be reached ({cause}): check the address and the network"
    if isinstance(cause, MqttCodeError):
        return f"{peer} closed the connection: was the broker stopped, or has another client the same `client_id`?"
    return f"the connection to {peer} broke ({error}): check the broker and the network"
