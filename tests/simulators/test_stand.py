"""The practice stand: a person works at a simulated machine over HTTP, and the session reads it as if it were real."""

import json
import subprocess
import sys

import html5lib
import httpx
import pytest

from livealign.session.engine import Session
from livealign.session.events import Command, Tick
from livealign_simulators.scene import build_scene
from livealign_simulators.stand import Stand
from livealign_simulators.stand_server import create_stand_app
from livealign_simulators.virtual_bench import VirtualBench

TOKEN = "open sesame"
HOST = "http://127.0.0.1:8000"


class Practice:
    """A machine whose time is counted, a session that reads its heads, and a client of the stand."""

    def __init__(self, job, rig, seed=2):
        self.session = Session(job, rig, snapshots_per_s=4.0)
        self.snapshot = None
        scene = build_scene(job, rig, seed)
        self.bench = VirtualBench(scene, 50.0, self.feed, lambda ns: self.feed(Tick(ns)))
        self.app = create_stand_app(Stand(self.bench), token=TOKEN)

    def feed(self, event):
        self.snapshot = self.session.feed(event) or self.snapshot

    def command(self, name, **args):
        self.feed(Command(name, self.bench.now_ns(), **args))

    async def __aenter__(self):
        headers = {"Authorization": f"Bearer {TOKEN}"}
        transport = httpx.ASGITransport(self.app)
        self.client = httpx.AsyncClient(transport=transport, base_url=HOST, headers=headers)
        return self

    async def __aexit__(self, *_):
        await self.client.aclose()

    async def ask(self, **action):
        return await self.client.post("/actions", json=action)

    async def do(self, **action):
        answer = await self.ask(**action)
        assert answer.status_code == 200, answer.text
        return answer.json()

    async def state(self, *, truth=False):
        return (await self.client.get("/state", params={"truth": "1"} if truth else {})).json()

    async def rotation(self, by_deg):
        self.command("begin_rotation")
        await self.do(do="turn", by_deg=by_deg, deg_per_s=60)
        await self.do(do="wait", s=1)
        self.command("end_rotation")
        await self.do(do="wait", s=0.3)
        return self.snapshot

    async def assert_told_is_true(self):
        truth = (await self.state(truth=True))["truth"]["pose"]
        for plane in ("vertical", "horizontal"):
            told = getattr(self.snapshot.pose, plane)
            # Four standard uncertainties, and two micrometres for rounding and the tools' last tremor.
            for key, unit in (("offset", "mm"), ("slope", "mm_per_m")):
                u = getattr(told, f"{key}_u_{unit}")
                off = getattr(told, f"{key}_{unit}") - truth[plane][f"{key}_{unit}"]
                assert abs(off) < 4 * u + 0.002, (plane, key)


@pytest.fixture
async def practice(job, rig):
    async with Practice(job, rig) as made:
        yield made


async def test_a_machine_is_measured_shimmed_and_measured_again_by_hand(practice):
    await practice.do(do="wait", s=1)
    found = await practice.rotation(270)
    await practice.assert_told_is_true()
    practice.command("adjust", plane="vertical")
    for foot in found.feet:
        done = await practice.do(do="shim", foot=foot.name, mm=round(foot.vertical_mm, 2))
        assert done == {"done": "shim", "foot": foot.name, "mm": round(foot.vertical_mm, 2)}
    await practice.do(do="wait", s=6)
    lifted = practice.snapshot
    await practice.assert_told_is_true()
    assert max(abs(f.vertical_mm) for f in lifted.feet) < 0.05 < max(abs(f.vertical_mm) for f in found.feet)
    assert lifted.machine_state == "settled"
    state = await practice.state()
    put_in = [f["shims_mm"] for f in state["feet"]]
    assert put_in == [dict.fromkeys(("left", "right"), round(f.vertical_mm, 2)) for f in found.feet]
    # Sideways, then once round.
    await practice.do(do="turn", to_deg=450, deg_per_s=90)
    practice.command("adjust", plane="horizontal")
    for foot in practice.snapshot.feet:
        await practice.do(do="shift", foot=foot.name, mm=round(foot.horizontal_mm, 2))
    await practice.do(do="wait", s=6)
    left = await practice.rotation(-270)
    await practice.assert_told_is_true()
    assert left.verdict.state == "conforming"
    assert max(abs(f["vertical_mm"]) for f in (await practice.state(truth=True))["truth"]["feet"]) < 0.05


async def test_the_state_tells_what_was_done_but_not_where_it_led(practice):
    before = await practice.state()
    assert "truth" not in before
    assert before["simulation"] is True
    assert (before["angle_deg"], before["goal_deg"], before["turning"]) == (90.0, 90.0, False)
    await practice.do(do="turn", by_deg=60, deg_per_s=30, wait=False)
    await practice.do(do="turn", by_deg=60, deg_per_s=30, wait=False, after=True)
    await practice.do(do="wait", s=1)
    turning = await practice.state()
    assert turning["turning"]
    assert turning["goal_deg"] == 210.0
    assert 100 < turning["angle_deg"] < 130
    await practice.do(do="stop")
    stopped = await practice.state()
    assert not stopped["turning"]
    assert stopped["angle_deg"] == stopped["goal_deg"] == pytest.approx(120, abs=5)
    await practice.do(do="shim", foot="near feet", mm=0.2, side="left")
    await practice.do(do="shift", foot="far feet", mm=-0.1)
    await practice.do(do="loosen", foot="far feet", side="right")
    await practice.do(do="warm", foot="near feet", by_k=15)
    await practice.do(do="knock", head="head M", outward_mm=0.3, deg=2)
    await practice.do(do="light", head="head S", brightness=0.5)
    await practice.do(do="vibrate", z_mm=0.01)
    await practice.do(do="unplug", link="S")
    await practice.do(do="dim", link="M")
    await practice.do(do="wait", s=1)
    after = await practice.state()
    near, far = after["feet"]
    assert near["shims_mm"] == {"left": 0.2, "right": 0.0}
    assert near["warmed_k"] == 15
    assert far["shifted_mm"] == -0.1
    assert far["bolts"] == {"left": "tight", "right": "loose"}
    heads = {h["name"]: h for h in after["heads"]}
    assert (heads["head M"]["outward_mm"], heads["head M"]["turned_deg"]) == (0.3, 2)
    assert heads["head S"]["brightness"] == 0.5
    assert after["shaken"]
    assert [(x["plugged"], x["dim"]) for x in after["links"]] == [(False, False), (True, True)]
    assert practice.snapshot.links[0].state == "lost"
    await practice.do(do="replug", link="S")
    assert (await practice.state())["links"][0]["plugged"]


@pytest.mark.parametrize(
    ("action", "status", "words"),
    [
        ("{", 422, "Invalid JSON"),
        ('{"do": "dance"}', 422, "dance"),
        ('{"do": "shim", "foot": "near feet"}', 422, "mm"),
        ('{"do": "turn", "to_deg": 1, "by_deg": 1}', 422, "either to_deg or by_deg"),
        ('{"do": "turn"}', 422, "either to_deg or by_deg"),
        ('{"do": "turn", "by_deg": NaN}', 422, "by_deg"),
        ('{"do": "shim", "foot": "left feet", "mm": 1}', 409, "no foot plane is called 'left feet'"),
        ('{"do": "unplug", "link": "X"}', 409, "no link is called 'X'"),
        ('{"do": "knock", "head": "X"}', 409, "no head is called 'X'"),
        (" " * 70_000, 413, "no action"),
    ],
)
async def test_what_cannot_be_done_is_answered_in_words(practice, action, status, words):
    answer = await practice.client.post("/actions", content=action)
    assert answer.status_code == status
    assert words in answer.json()["detail"]


async def test_turns_do_not_pile_up_without_end(practice):
    far = {"do": "turn", "by_deg": 360, "deg_per_s": 20, "wait": False, "after": True}
    await practice.do(**far)
    await practice.do(**far)
    refused = await practice.ask(**far)
    assert refused.status_code == 409
    assert "still being turned for 37 s" in refused.json()["detail"]
    assert "stop" in refused.json()["advice"]


async def test_only_who_knows_the_token_and_comes_from_here_is_let_in(practice):
    for path in ("/state", "/actions", "/nowhere"):
        answer = await practice.client.get(path, headers={"Authorization": "Bearer wrong"})
        assert answer.status_code == 401
        assert "first line" in answer.json()["detail"]
    assert (await practice.client.get("/state", headers={"Host": "rig.example"})).status_code == 403
    foreign = await practice.client.post(
        "/actions", json={"do": "stop"}, headers={"Origin": "http://rig.example"}
    )
    assert foreign.status_code == 403


async def test_the_page_is_sound_html_that_fetches_nothing_and_says_what_it_is(practice):
    answer = await practice.client.get("/", headers={"Authorization": ""})
    assert answer.status_code == 200
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    document = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(answer.text)
    assert "SIMULATION" in "".join(document.find("body/header").itertext())
    links = [e.get(a) for e in document.iter() for a in ("src", "href", "action") if e.get(a)]
    assert links == ["data:,"]
    assert "http:" not in answer.text
    assert "https:" not in answer.text
    labels = {e.get("for") for e in document.iter("label")}
    assert {e.get("id") for e in document.iter() if e.tag in {"input", "select"}} <= labels


def test_as_a_process_it_says_where_it_is_takes_orders_and_ends_with_its_input():
    command = (sys.executable, "-m", "livealign", "simulate", "--as", "tcp", "--control", "--control-http")
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    control = json.loads(process.stdout.readline())["control"]
    assert control["page"] == f"{control['url']}/#{control['token']}"
    headers = {"Authorization": f"Bearer {control['token']}"}
    with httpx.Client(base_url=control["url"], headers=headers, trust_env=False) as client:
        shim = {"do": "shim", "foot": "near feet", "mm": 0.5, "wait": False}
        assert client.post("/actions", json=shim).json()["done"] == "shim"
        # Lines and HTTP lead to the same machine.
        process.stdin.write(json.dumps({**shim, "mm": 0.25}) + "\n")
        process.stdin.flush()
        assert json.loads(process.stdout.readline())["mm"] == 0.25
        assert client.get("/state").json()["feet"][0]["shims_mm"] == {"left": 0.75, "right": 0.75}
    assert process.communicate(timeout=30) == ("", "")
    assert process.returncode == 0
