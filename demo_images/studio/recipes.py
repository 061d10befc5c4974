"""The demo photos: one day at an invented small nursery, "Larkfield".

Trays are named by the donor plants in its garden rows: Gatepost, Old Pond, Windbreak, North Wall, Steps.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .camera import CameraPlan
from .develop import DevelopPlan
from .plan import CuttingPlan, HeelPlan
from .tray import PhotoPlan

Rng = np.random.Generator

USUAL_DIST = (0.018, -0.028, 0.0004, -0.0003)


def usual(kind: str, colour: str, bark: str, rng: Rng) -> CuttingPlan:
    """Return a cutting as a careful hand makes it: about 75 to 100 mm, 25 mm stripped, pencil-thin."""
    return CuttingPlan(
        kind=kind,
        length_mm=float(rng.uniform(78, 98)),
        base_width_mm=float(rng.uniform(1.8, 3.0)),
        stripped_mm=float(rng.uniform(21, 29)),
        colour=colour,
        bark=bark,
        turn_deg=float(rng.normal(0, 6)),
        wobble_deg=float(rng.uniform(0.5, 2.5)),
        fullness=float(rng.uniform(0.85, 1.3)),
        leaf_scale=float(rng.uniform(0.85, 1.1)),
        cut_tilt_deg=float(rng.uniform(2, 18)),
    )


def faulty(plan: CuttingPlan, fault: str, rng: Rng) -> CuttingPlan:
    """Return the cutting with one fault."""
    u = rng.uniform
    if fault == "crooked":
        return replace(plan, bends=((float(u(13, 19)), float(rng.choice([-1, 1]) * u(26, 48)), float(u(2, 5))),))
    if fault == "heel":
        heel = HeelPlan(float(u(5, 9)), plan.base_width_mm * float(u(1.5, 2.0)), float(rng.choice([-1, 1]) * u(25, 45)))
        return replace(plan, heel=heel, length_mm=plan.length_mm + heel.length_mm, stripped_mm=plan.stripped_mm + heel.length_mm)
    if fault == "oversize":
        return replace(plan, base_width_mm=float(u(6.8, 9.5)), length_mm=float(u(115, 140)), wobble_deg=1.0, fullness=1.4)
    if fault == "tiny":
        return replace(plan, base_width_mm=float(u(0.9, 1.3)), length_mm=float(u(32, 46)), stripped_mm=float(u(8, 14)), leaf_scale=0.65)
    if fault == "unstripped":
        return replace(plan, stripped_mm=float(u(1.0, 5.0)))
    if fault == "long":
        return replace(plan, length_mm=float(u(150, 165)), base_width_mm=float(u(2.6, 3.8)), turn_deg=float(rng.normal(0, 12)))
    if fault == "browned":
        return replace(plan, brown=float(u(0.3, 0.7)))
    if fault == "strays":
        return replace(plan, strays=int(rng.integers(2, 5)))
    if fault == "short stripped":
        return replace(plan, stripped_mm=float(u(8, 15)))
    if fault == "swept":
        return replace(plan, turn_deg=float(rng.choice([-1, 1]) * u(35, 60)))
    if fault == "thick":
        return replace(plan, base_width_mm=float(u(3.6, 5.2)), length_mm=float(u(95, 120)))
    raise ValueError(f"no fault is called {fault!r}")


def tray_of(kinds: tuple[tuple[str, str, str], ...], faults: tuple[str, ...], seed: int) -> tuple[CuttingPlan, ...]:
    """Return one cutting per entry of ``faults`` ("" for a good one), taking the kinds in turn."""
    rng = np.random.default_rng(seed)
    plans = []
    for number, fault in enumerate(faults):
        plan = usual(*kinds[number % len(kinds)], rng)
        plans.append(faulty(plan, fault, rng) if fault else plan)
    return tuple(plans)


GATEPOST = ("scale", "glaucous", "red-brown")
OLD_POND = ("scale", "green", "grey-brown")
WINDBREAK = ("awl", "dark green", "red-brown")
NORTH_WALL = ("needle", "green", "olive")
STEPS = ("broad", "dark green", "grey")
GOLD = ("scale", "gold", "red-brown")


def demo_photos() -> list[PhotoPlan]:
    """Return the plans of the demo photos."""
    lens = CameraPlan(dist=USUAL_DIST)
    return [
        PhotoPlan(
            "bench_soft_light_10",
            "Ten careful cuttings from the Gatepost plant under a cloudy sky; nearly all good.",
            101,
            tray_of((GATEPOST,), ("", "", "", "", "", "", "", "", "short stripped", "strays"), 101),
            camera=replace(lens, tilt_deg=3.0, roll_deg=0.8),
            develop=DevelopPlan(orientation=1),
        ),
        PhotoPlan(
            "old_pond_three",
            "Three cuttings from the Old Pond plant: one good, one crooked near its base, one with a heel.",
            102,
            tray_of((OLD_POND,), ("", "crooked", "heel"), 102),
            light="window",
            bench="concrete",
            camera=replace(lens, tilt_deg=6.0, tilt_towards_deg=70.0, focal_35mm=28.0),
            develop=DevelopPlan(orientation=6),
        ),
        PhotoPlan(
            "crooked_and_heels_8",
            "A beginner's tray from Windbreak and Gatepost: bends near the base, heels, sweep.",
            103,
            tray_of((WINDBREAK, GATEPOST), ("crooked", "heel", "crooked", "", "heel", "swept", "crooked", ""), 103),
            light="overcast",
            bench="slate",
            camera=replace(lens, tilt_deg=8.0, tilt_towards_deg=200.0, roll_deg=-2.0),
            develop=DevelopPlan(orientation=3),
        ),
        PhotoPlan(
            "size_mix_tilted_12",
            "Sizes mixed up: oversize wood, tiny starts, a long shoot; the phone held at 15 degrees.",
            104,
            tray_of(
                (GATEPOST, OLD_POND, GOLD),
                ("oversize", "tiny", "", "long", "tiny", "", "thick", "", "tiny", "", "", ""),
                104,
            ),
            light="shade",
            bench="planks",
            angle_deg=60.0,
            camera=replace(lens, tilt_deg=15.0, tilt_towards_deg=100.0, focal_35mm=24.0),
            develop=DevelopPlan(orientation=1),
            gap_mm=3.0,
        ),
        PhotoPlan(
            "hard_sun_9",
            "Midday sun on the bench by the Windbreak: sharp shadows; unstripped and short stripped stems.",
            105,
            tray_of((WINDBREAK, OLD_POND), ("", "unstripped", "", "short stripped", "strays", "", "crooked", "", ""), 105),
            light="hard_sun",
            light_azimuth_deg=140.0,
            bench="planks",
            gap_mm=6.0,
            camera=replace(lens, tilt_deg=5.0, tilt_towards_deg=250.0),
            develop=DevelopPlan(orientation=8, exposure=0.78),
        ),
        PhotoPlan(
            "evening_lamp_7",
            "After dark, one warm bulb: leaves of the North Wall and Steps plants, some browned.",
            106,
            tray_of((NORTH_WALL, STEPS), ("", "", "browned", "", "crooked", "browned", ""), 106),
            light="warm_lamp",
            bench="planks",
            gap_mm=5.0,
            camera=replace(lens, tilt_deg=4.0, tilt_towards_deg=20.0),
            develop=DevelopPlan(orientation=1, photons=2600.0, exposure=0.66),
        ),
        PhotoPlan(
            "full_tray_30",
            "Thirty small starts side by side, the most that fits.",
            107,
            tuple(
                replace(plan, length_mm=plan.length_mm * 0.55, stripped_mm=plan.stripped_mm * 0.62, leaf_scale=0.62, base_width_mm=plan.base_width_mm * 0.62, fullness=0.7)
                for plan in tray_of((GATEPOST, OLD_POND, WINDBREAK), ("",) * 30, 107)
            ),
            light="overcast",
            bench="potting cloth",
            angle_spread_deg=4.0,
            gap_mm=2.0,
            camera=replace(lens, tilt_deg=2.0, fill=0.95),
            develop=DevelopPlan(orientation=1),
        ),
        PhotoPlan(
            "messy_bench_pair_8",
            "Soil crumbs, fallen needles, a drop of water, a pen left on the mat, and two cuttings that overlap.",
            108,
            tray_of((OLD_POND, WINDBREAK), ("", "", "strays", "", "browned", "", "", ""), 108),
            light="window",
            bench="concrete",
            crumbs=55,
            fallen=14,
            pen=True,
            drop=True,
            overlap=True,
            camera=replace(lens, tilt_deg=5.0, tilt_towards_deg=150.0),
            develop=DevelopPlan(orientation=6),
        ),
        PhotoPlan(
            "browned_and_bare_8",
            "Stock kept too dry: browned shoots on gold and blue foliage.",
            109,
            tray_of((GOLD, ("scale", "blue", "grey-brown")), ("browned", "", "browned", "browned", "", "unstripped", "browned", ""), 109),
            light="two_lamps",
            bench="steel",
            camera=replace(lens, tilt_deg=9.0, tilt_towards_deg=300.0),
            develop=DevelopPlan(orientation=1),
        ),
    ]
