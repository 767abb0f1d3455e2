"""Instead of USB: each line a datagram over the network, for boards with a radio.

In main.py: `run(Datagrams().write)`. The board must be on the network first: see `network.WLAN` in MicroPython's manual.
"""

import socket

HOST = "192.168.4.2"  # the computer that runs livealign
PORT = 4210  # as in the rig file


class Datagrams:
    """Sends lines to one computer; what the network does not take at once is lost, as anything on a network may be."""

    def __init__(self, host=HOST, port=PORT):
        """Take where to."""
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._to = socket.getaddrinfo(host, port)[0][-1]

    def write(self, data):
        """Send a line, never waiting."""
        try:
            self._socket.sendto(data, self._to)
        except OSError:
            pass
        return len(data)

    def close(self):
        """End."""
        self._socket.close()
