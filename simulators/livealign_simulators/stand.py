"""A practice stand: a simulated machine in somebody's hands, who sees what he has done but not where it has led."""

from dataclasses import asdict
from typing import Any

from livealign_simulators.actions import Action, perform
from livealign_simulators.machine import SIDES
from livealign_simulators.workbench import Workbench

__all__ = ["Stand"]


class Stand:
    """Does what is asked, and tells what has been done so far."""

    def __init__(self, bench: Workbench) -> None:
        """Stand before a bench whose links are all plugged in."""
        self._bench = bench
        self._unplugged: set[str] = set()

    async def act(self, action: Action) -> dict[str, Any]:
        """Do what is asked; return the answer.

        Raises:
            PersonError: if it cannot be done.
        """
        answer = await perform(self._bench, action)
        if action.do == "unplug":
            self._unplugged.add(action.link)
        elif action.do == "replug":
            self._unplugged.discard(action.link)
        return answer

    def state(self, *, truth: bool = False) -> dict[str, Any]:
        """Return what a person at the machine can see and has done; the truth only where it is asked for."""
        scene, now = self._bench.scene, self._bench.now()
        told = {
            "simulation": True,
            "job": scene.job.name,
            "units": scene.job.units,
            "time_s": round(now, 3),
            **self._shafts(now),
            "shaken": any(v.y_mm or v.z_mm for v in scene.mechanic.machine.vibrations),
            "feet": self._feet(now),
            "heads": self._heads(),
            "links": self._links(),
        }
        if truth:
            pose, feet = scene.tell(now)
            told["truth"] = {"pose": asdict(pose), "feet": [asdict(f) for f in feet]}
        return told

    def _shafts(self, now_s: float) -> dict[str, Any]:
        mechanic = self._bench.scene.mechanic
        return {
            "angle_deg": round(mechanic.angle_deg(now_s), 2),
            "goal_deg": round(mechanic.goal_deg, 2),
            "turning": mechanic.turned_by_s > now_s,
        }

    def _feet(self, now_s: float) -> list[dict[str, Any]]:
        machine = self._bench.scene.mechanic.machine
        return [
            {
                "name": foot.name,
                "shims_mm": {side: round(machine.shims_mm[foot.name, side], 6) for side in SIDES},
                "shifted_mm": round(machine.shifted_mm[foot.name], 6),
                "bolts": {side: "loose" if (foot.name, side) in machine.loose else "tight" for side in SIDES},
                "warmed_k": round(
                    sum(
                        w.end_c - w.start_c
                        for w in machine.warmings
                        if w.x_mm == foot.x_mm and w.machine == "movable" and w.start_s <= now_s
                    ),
                    6,
                ),
            }
            for foot in machine.feet
        ]

    def _heads(self) -> list[dict[str, Any]]:
        heads = self._bench.scene.heads
        told = []
        for name, faults in heads.faults.items():
            f, light = faults.last, heads.optics[name].last
            told.append(
                {
                    "name": name,
                    "outward_mm": round(f.outward_mm, 6),
                    "clockwise_mm": round(f.clockwise_mm, 6),
                    "turned_deg": round(f.turned_deg, 6),
                    "loose_mm": f.loose_mm,
                    "brightness": light.brightness,
                    "background": light.background,
                }
            )
        return told

    def _links(self) -> list[dict[str, Any]]:
        told = []
        for link in self._bench.scene.rig.links:
            device = self._bench.device(link.name)
            told.append(
                {
                    "name": link.name,
                    "plugged": link.name not in self._unplugged,
                    "dim": device.faults.dim,
                    "corrupt_fraction": device.faults.corrupt_fraction,
                    "loss": device.radio.faults.loss,
                    "disconnected": device.radio.faults.disconnected,
                    "records": device.records,
                }
            )
        return told
