"""The API over a real port: snapshots, stream, commands, and who is let in."""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import aclosing
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import InvalidStatus

from livealign.client import Client
from livealign.errors import PersonError
from livealign.paths import read_note
from livealign.snapshot import SCHEMA, decode
from service.rigs import Head
from service.serving import TOKEN, Service, serving


@pytest.fixture
async def service(tmp_path: Path) -> AsyncIterator[Service]:
    async with serving(tmp_path) as running:
        yield running


@pytest.fixture
async def http(service: Service) -> AsyncIterator[httpx.AsyncClient]:
    async with httpx.AsyncClient(base_url=service.note.url, headers=service.headers) as client:
        yield client


async def test_the_latest_snapshot_is_there_from_the_start(http: httpx.AsyncClient, service: Service) -> None:
    answer = await http.get("/api/snapshot")
    assert answer.status_code == 200
    snapshot = decode(answer.content)
    assert (snapshot.schema, snapshot.job) == (SCHEMA, "Grain dryer fan 2")
    assert read_note(service.note_path) == service.note


async def test_the_stream_begins_with_the_latest_and_goes_on(service: Service) -> None:
    latest = service.daemon.hub.latest
    async with connect(service.stream_url, additional_headers=service.headers, proxy=None) as ws:
        first = await ws.recv()
        assert isinstance(first, str), "text frames"
        assert decode(first).sequence >= decode(latest or b"").sequence
        service.drivers["S"].open()
        service.drivers["S"].send(Head("S").lines(7))
        async with asyncio.timeout(10):
            while (snapshot := decode(await ws.recv())).links[0].counters.records != 7:
                pass
        assert snapshot.links[0].state == "open"


async def test_the_token_may_stand_in_the_query_of_the_stream_only(service: Service) -> None:
    async with connect(f"{service.stream_url}?token={TOKEN}", proxy=None) as ws:
        assert decode(await ws.recv()).schema == SCHEMA
    async with httpx.AsyncClient(base_url=service.note.url) as client:
        assert (await client.get(f"/api/snapshot?token={TOKEN}")).status_code == 401


@pytest.mark.parametrize("authorization", [None, "Bearer wrong", f"Basic {TOKEN}", "Bearer", "Bearer \u00e9"])
async def test_without_the_token_nobody_is_let_in(service: Service, authorization: str | None) -> None:
    raw = {"Authorization": authorization.encode()} if authorization else {}
    async with httpx.AsyncClient(base_url=service.note.url, headers=raw) as client:
        for answer in (
            await client.get("/api/snapshot"),
            await client.get("/api/health"),
            await client.post("/api/commands", json={"name": "begin_rotation"}),
        ):
            assert answer.status_code == 401
            assert answer.headers["WWW-Authenticate"] == "Bearer"
            assert "token" in answer.json()["detail"]
    with pytest.raises(InvalidStatus) as refused:
        async with connect(f"{service.stream_url}?token=wrong", proxy=None):
            pass
    assert refused.value.response.status_code == 401
    assert decode(service.daemon.hub.latest or b"").phase == "ready"


async def test_a_page_from_elsewhere_is_not_let_in_even_with_the_token(
    http: httpx.AsyncClient, service: Service
) -> None:
    foreign_host = await http.get("/api/snapshot", headers={"Host": "rebound.example:8765"})
    foreign_page = await http.get("/api/snapshot", headers={"Origin": "http://elsewhere.example"})
    assert [foreign_host.status_code, foreign_page.status_code] == [403, 403]
    for origin in ("http://elsewhere.example", "null"):
        with pytest.raises(InvalidStatus) as refused:
            async with connect(
                service.stream_url, additional_headers={**service.headers, "Origin": origin}, proxy=None
            ):
                pass
        assert refused.value.response.status_code == 403
    port = urlsplit(service.note.url).port
    own = {**service.headers, "Origin": f"http://127.0.0.1:{port}"}
    async with connect(service.stream_url, additional_headers=own, proxy=None) as ws:
        assert decode(await ws.recv()).schema == SCHEMA
    by_name = await http.get("/api/snapshot", headers={"Host": f"localhost:{port}"})
    assert by_name.status_code == 200


async def test_commands_are_obeyed_refused_or_not_understood(
    http: httpx.AsyncClient, service: Service
) -> None:
    refused = await http.post("/api/commands", json={"name": "end_rotation"})
    assert (refused.status_code, refused.json()["detail"]) == (409, "no rotation is being read")
    obeyed = await http.post("/api/commands", json={"name": "begin_rotation"})
    assert (obeyed.status_code, obeyed.json()["name"]) == (200, "begin_rotation")
    for wrong in (
        {"name": "levitate"},
        {"name": "adjust", "plane": "diagonal"},
        {"name": "hold", "on": "perhaps"},
        {"name": "note", "text": ""},
        {"name": "note", "text": "x" * 501},
        {"name": "begin_rotation", "plane": "vertical"},
        {},
        [],
    ):
        assert (await http.post("/api/commands", json=wrong)).status_code == 422, wrong
    assert (await http.post("/api/commands", content=b"{")).status_code == 422
    assert decode((await http.get("/api/snapshot")).content).phase == "rotation"


async def test_what_a_person_says_of_the_job_is_checked_before_it_reaches_it(
    http: httpx.AsyncClient, service: Service
) -> None:
    for refused, why in (
        ({"name": "check_off", "item": "lockout", "who": "Anne"}, "the checklist has no item 'lockout'"),
        ({"name": "close_out", "who": "Anne"}, "a rotation must verify"),
        ({"name": "soft_foot", "action": "tighten"}, "begin to look for soft feet first"),
        ({"name": "bolt_up", "action": "mark", "text": "bolt 1"}, "begin to watch the shaft first"),
    ):
        answer = await http.post("/api/commands", json=refused)
        assert answer.status_code == 409
        assert why in answer.json()["detail"]
    for wrong in (
        {"name": "check_off", "item": "lockout"},
        {"name": "check_off", "item": "lockout", "who": "Anne", "state": "verified"},
        {"name": "check_off", "item": "lockout", "who": "Anne", "value_mm": -1},
        {"name": "soft_foot", "action": "mark"},
        {"name": "soft_foot", "action": "gauge", "foot": "near feet", "side": "up"},
        {"name": "soft_foot", "action": "gauge", "gaps_mm": [0.1] * 5},
        {"name": "bolt_up", "action": "loosen"},
    ):
        assert (await http.post("/api/commands", json=wrong)).status_code == 422, wrong
    assert (await http.post("/api/commands", json={"name": "bolt_up", "action": "begin"})).status_code == 200
    assert decode((await http.get("/api/snapshot")).content).bolt_up.state == "watching"


async def test_the_api_describes_itself_and_loads_nothing_from_outside(service: Service) -> None:
    async with httpx.AsyncClient(base_url=service.note.url) as anybody:
        schema = (await anybody.get("/api/schema")).json()
        assert schema["properties"]["sequence"] == {"title": "Sequence", "type": "integer"}
        described = (await anybody.get("/openapi.json")).json()
        assert {"/api/snapshot", "/api/commands", "/api/health", "/api/schema"} <= set(described["paths"])
        assert "409" in described["paths"]["/api/commands"]["post"]["responses"]
    async with httpx.AsyncClient(base_url=service.note.url, headers=service.headers) as client:
        assert [(await client.get(p)).status_code for p in ("/docs", "/redoc")] == [404, 404]


async def test_a_stalled_client_slows_neither_the_rest_nor_the_end(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with socket.socket() as stalled:
        async with serving(tmp_path) as service:
            port = urlsplit(service.note.url).port
            stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            stalled.connect(("127.0.0.1", port))
            stalled.sendall(
                f"GET /api/stream?token={TOKEN} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nUpgrade: websocket\r\n"
                "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
                "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
            )
            async with (
                connect(service.stream_url, additional_headers=service.headers, proxy=None) as quick,
                asyncio.timeout(60),
            ):
                await quick.recv()
                while not any(c["dropped"] for c in service.daemon.hub.counters()):
                    # Each note makes a snapshot, and each snapshot carries all notes: the socket soon is full.
                    await service.daemon.command("note", text="x" * 500)
                    await quick.recv()
                least, most = sorted(c["dropped"] for c in service.daemon.health()["clients"])
                assert (least, most > 0) == (0, True), "the quick client missed nothing"
    assert caplog.text == ""


async def test_the_client_reads_commands_and_follows(service: Service) -> None:
    async with Client.of(service.note) as client:
        assert (await client.snapshot()).phase == "ready"
        async with aclosing(client.stream()) as stream:
            first = await anext(stream)
            await client.command("begin_rotation")
            async with asyncio.timeout(10):
                while (snapshot := await anext(stream)).phase != "rotation":
                    pass
            assert snapshot.sequence > first.sequence
            with pytest.raises(PersonError, match="already"):
                await client.command("begin_rotation")
            with pytest.raises(PersonError, match="does not understand"):
                await client.command("levitate")
        assert (await client.health())["snapshots"] > 0


async def test_the_client_is_told_when_the_service_goes(tmp_path: Path) -> None:
    async with serving(tmp_path) as service:
        client = Client.of(service.note)
        stream = client.stream()
        await anext(stream)
        service.daemon.stop()
        with pytest.raises(PersonError, match="has gone"):
            await asyncio.wait_for(_use_up(stream), 10)
    async with client:
        with pytest.raises(PersonError, match="cannot be reached"):
            await client.snapshot()
        with pytest.raises(PersonError, match="cannot be reached"):
            await anext(client.stream_raw())
    assert not service.note_path.exists(), "no note is left"


async def _use_up(stream: AsyncIterator[object]) -> None:
    async for _ in stream:
        pass


async def test_the_client_is_told_of_a_wrong_token_and_a_wrong_url(service: Service) -> None:
    async with Client(service.note.url, "wrong") as client:
        with pytest.raises(PersonError, match="token"):
            await client.snapshot()
        with pytest.raises(PersonError, match="token"):
            await anext(client.stream())
    with pytest.raises(PersonError, match="is not the URL"):
        Client("127.0.0.1:8765", "x")
