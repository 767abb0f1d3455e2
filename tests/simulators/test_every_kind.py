"""Every kind of rig, from the bytes of its virtual devices to the pose, by way of a whole session."""

import numpy as np
import pytest

from livealign.session.engine import Session
from livealign.session.events import Command
from livealign.stream.contracts import Frame, LinkEvent
from livealign_simulators.devices import Device
from livealign_simulators.scene import build_scene
from model.rigs import KINDS, load

STEP_S = 0.1


@pytest.mark.parametrize("kind", KINDS)
def test_the_bytes_of_a_turn_tell_the_true_pose(kind):
    job, rig = load(kind)
    scene = build_scene(job, rig, seed=11, angle_deg=0.0)
    seeds = scene.device_seed.spawn(len(rig.links))
    devices = [Device(scene, link, 40.0, seed) for link, seed in zip(rig.links, seeds, strict=True)]
    session = Session(job, rig)
    for device in devices:
        session.feed(LinkEvent(device.link, "open", 0))
        session.feed(Frame(device.link, device.preamble, 0))
    session.feed(Command("begin_rotation", 0))
    end_s = scene.mechanic.turn(300.0, 40.0, start_s=1.0) + 0.5
    for time_s in np.arange(STEP_S, end_s, STEP_S):
        for device in devices:
            session.feed(Frame(device.link, device.produce(time_s), round(1e9 * (time_s + 0.002))))
    found = session.feed(Command("end_rotation", round(1e9 * end_s)))
    assert found is not None
    assert found.rotation.observable
    pose, feet = scene.tell(end_s)
    errors = []
    for estimate, true in ((found.pose.vertical, pose.vertical), (found.pose.horizontal, pose.horizontal)):
        errors.append((estimate.offset_mm - true.offset_mm) / estimate.offset_u_mm)
        errors.append((estimate.slope_mm_per_m - true.slope_mm_per_m) / estimate.slope_u_mm_per_m)
        assert estimate.offset_u_mm < 0.02
        assert estimate.slope_u_mm_per_m < 0.1
    for estimate, true in zip(found.feet, feet, strict=True):
        errors.append((estimate.vertical_mm - true.vertical_mm) / estimate.vertical_u_mm)
        errors.append((estimate.horizontal_mm - true.horizontal_mm) / estimate.horizontal_u_mm)
    assert max(np.abs(errors)) < 3.5, errors
    assert [c.name for c in found.channels if "clipped" in c.flags] == []
