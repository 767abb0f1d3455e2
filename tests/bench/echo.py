"""The plain reference for latency and CPU: what serial ports bring goes to every WebSocket client.

A message is the number of the port in one byte, and what it brought.

Run as `python tests/bench/echo.py PORT ...`; prints the number of the TCP port it serves.
"""

import asyncio
import sys
import threading

import click
import serial
from websockets.asyncio.server import ServerConnection, broadcast, serve

__all__: list[str] = []


async def main(ports: list[str]) -> None:
    loop = asyncio.get_running_loop()
    clients: set[ServerConnection] = set()

    def send(data: bytes) -> None:
        broadcast(clients, data)

    def read(number: int, name: str) -> None:
        with serial.Serial(name, 115200) as port:
            while True:
                data = port.read(max(1, port.in_waiting))
                loop.call_soon_threadsafe(send, bytes([number]) + data)

    async def client(connection: ServerConnection) -> None:
        clients.add(connection)
        try:
            await connection.wait_closed()
        finally:
            clients.discard(connection)

    for number, name in enumerate(ports):
        threading.Thread(target=read, args=(number, name), daemon=True).start()
    async with serve(client, "127.0.0.1", 0, compression=None) as server:
        click.echo(server.sockets[0].getsockname()[1])
        await asyncio.Future()


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1:]))
