"""The socket on which the service listens."""

import socket

from livealign.service.server import listen


def test_a_snapshot_does_not_wait_for_the_acknowledgement_of_the_one_before() -> None:
    with listen(("127.0.0.1", 0)) as listening, socket.create_connection(listening.getsockname()[:2]):
        accepted, _ = listening.accept()
        with accepted:
            assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
