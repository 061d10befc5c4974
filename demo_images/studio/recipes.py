"""The photos of the demo set: an invented nursery, "Hollow Lane", sticks junipers and a few others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .camera import CameraPlan
from .develop import Development
from .layout import LayPlan
from .lights import light_of
from .photo import Clutter, PhotoPlan
from .plan import CuttingPlan, HeelPlan
from .surroundings import Curl

LEAVES_OF = {
    "scale": ("green", "dark green", "glaucous", "blue", "yellow-green"),
    "awl": ("green", "glaucous", "dark green"),
    "needle": ("dark green", "green", "yellow-green"),
    "broad": ("green", "dark green", "yellow-green"),
}
BARKS = ("red-brown", "grey-brown", "olive", "grey")
STEM_OF_LENGTH = 0.026
"""Base width over length of a usual shoot, chosen by eye."""


def usual(
    rng: np.random.Generator,
    *,
    kind: str = "scale",
    length_mm: tuple[float, float] = (70.0, 105.0),
    stripped_mm: tuple[float, float] = (20.0, 30.0),
    width_mm: tuple[float, float] | None = None,
    brown: float = 0.0,
    strays: float = 0.0,
) -> CuttingPlan:
    """Return a straight cutting with numbers drawn from ranges; ``strays`` is the chance of one."""
    length = rng.uniform(*length_mm)
    if width_mm is None:
        width = float(np.clip(length * STEM_OF_LENGTH * rng.lognormal(0, 0.2), 1.2, 4.0))
    else:
        width = rng.uniform(*width_mm)
    return CuttingPlan(
        kind,
        length,
        width,
        min(rng.uniform(*stripped_mm), 0.45 * length),
        str(rng.choice(LEAVES_OF[kind])),
        str(rng.choice(BARKS)),
        turn_deg=rng.normal(0.0, 6.0),
        wobble_deg=rng.uniform(1.0, 4.0),
        brown=brown,
        strays=int(rng.random() < strays) * int(rng.integers(1, 3)),
        fullness=rng.uniform(0.75, 1.2),
        leaf_scale=rng.uniform(0.85, 1.1),
        cut_tilt_deg=rng.normal(4.0, 9.0),
    )


def crooked(
    plan: CuttingPlan, rng: np.random.Generator, *, at_mm: tuple[float, float], deg: tuple[float, float]
) -> CuttingPlan:
    """Return the plan with one bend."""
    angle = rng.uniform(*deg) * rng.choice([-1, 1])
    return replace(plan, bends=((rng.uniform(*at_mm), angle, rng.uniform(3.0, 7.0)),))


def heeled(plan: CuttingPlan, rng: np.random.Generator) -> CuttingPlan:
    """Return the plan with a heel."""
    width = plan.base_width_mm * rng.uniform(1.5, 2.1)
    heel = HeelPlan(rng.uniform(4.0, 8.0), width, rng.uniform(22, 45) * rng.choice([-1, 1]))
    return replace(plan, heel=heel, stripped_mm=max(plan.stripped_mm, heel.length_mm + 15))


def tiny(rng: np.random.Generator, kind: str = "scale") -> CuttingPlan:
    """Return a miniature."""
    plan = usual(rng, kind=kind, length_mm=(30, 46), stripped_mm=(6, 12), width_mm=(0.9, 1.6))
    return replace(plan, leaf_scale=0.62 if kind in ("scale", "awl") else 0.4)


def demo() -> list[PhotoPlan]:
    """Return the demo photos."""
    rng = np.random.default_rng(20)
    many = [usual(rng, strays=0.15) for _ in range(8)]
    sun = [usual(rng, kind=k, strays=0.2) for k in ("scale", "scale", "awl", "scale", "awl", "scale")]
    bent = [
        crooked(usual(rng), rng, at_mm=(16, 26), deg=(28, 55)),
        heeled(usual(rng, length_mm=(80, 105)), rng),
        usual(rng),
        crooked(usual(rng, length_mm=(85, 110)), rng, at_mm=(18, 30), deg=(24, 45)),
        heeled(usual(rng, kind="awl", length_mm=(75, 95)), rng),
        replace(usual(rng, length_mm=(90, 110)), turn_deg=55.0),
    ]
    thick = [
        usual(rng, length_mm=(100, 130), width_mm=(7.0, 9.0), stripped_mm=(25, 35)),
        usual(rng, length_mm=(90, 115), width_mm=(4.5, 6.0), stripped_mm=(25, 35)),
        usual(rng, stripped_mm=(4, 5)),
        usual(rng, length_mm=(85, 105), stripped_mm=(1.5, 3)),
        usual(rng),
    ]
    long = [
        usual(rng, length_mm=(200, 212), width_mm=(3.2, 4.2), stripped_mm=(28, 36)),
        usual(rng, length_mm=(150, 165), width_mm=(2.8, 3.6), stripped_mm=(24, 32)),
        usual(rng, length_mm=(55, 65)),
    ]
    long = [replace(one, fullness=0.6) for one in long]
    brown = [
        usual(rng, brown=0.35),
        usual(rng, brown=0.12, strays=1.0),
        usual(rng),
        usual(rng, kind="needle", brown=0.5, length_mm=(70, 90)),
        usual(rng, kind="needle", length_mm=(75, 95)),
        usual(rng, brown=0.65),
    ]
    mixed = [
        usual(rng, kind="broad", length_mm=(65, 90), stripped_mm=(16, 26)),
        usual(rng, kind="broad", length_mm=(60, 80), stripped_mm=(14, 24)),
        usual(rng, kind="needle", length_mm=(75, 95)),
        usual(rng, kind="awl"),
        usual(rng, kind="scale"),
    ]
    littles = [tiny(rng, k) for k in ("scale",) * 20 + ("awl",) * 6 + ("broad",) * 4]
    untidy = [usual(rng, strays=0.6, length_mm=(65, 90)) for _ in range(5)]
    return [
        PhotoPlan(
            "bench_soft_light",
            ("straight",),
            tuple(many),
            CameraPlan(tilt_deg=3.0, k1=-0.008, k2=0.010),
            light_of("soft", 70, 60),
            101,
            bench="wood",
            curl=Curl(0.3, 1.0),
            development=Development(orientation=1),
        ),
        PhotoPlan(
            "door_hard_sun",
            ("straight", "hard sun"),
            tuple(sun),
            CameraPlan(tilt_deg=7.0, roll_deg=2.0, k1=0.012, k2=-0.010),
            light_of("sun", 125, 42),
            102,
            bench="slate",
            curl=Curl(0.2, 2.0),
            development=Development(orientation=6, exposure=0.95),
        ),
        PhotoPlan(
            "crooked_and_heels",
            ("crooked", "heel", "sweep"),
            tuple(bent),
            CameraPlan(tilt_deg=5.0, roll_deg=-1.5, k1=-0.010, k2=0.012),
            light_of("window", 160, 38),
            103,
            bench="steel",
            curl=Curl(0.4, 0.3),
            development=Development(orientation=3),
        ),
        PhotoPlan(
            "thick_wood_and_unstripped",
            ("oversize", "unstripped"),
            tuple(thick),
            CameraPlan(tilt_deg=2.0, k1=0.006, k2=0.0),
            light_of("two lamps", 40, 50),
            104,
            bench="board",
            development=Development(orientation=8),
        ),
        PhotoPlan(
            "long_shoots",
            ("long",),
            tuple(long),
            CameraPlan(tilt_deg=4.0, roll_deg=3.0, k1=-0.012, k2=0.015),
            light_of("soft", 200, 60),
            105,
            bench="slate",
            curl=Curl(0.5, 3.0),
            lay=LayPlan(angle_deg=2, spread_deg=3),
        ),
        PhotoPlan(
            "browned_foliage",
            ("browned", "stray leaves"),
            tuple(brown),
            CameraPlan(tilt_deg=6.0, tilt_towards_deg=-60, k1=-0.005, k2=0.006),
            light_of("window", 30, 48),
            106,
            bench="wood",
            curl=Curl(0.3, 4.0),
            development=Development(orientation=6),
        ),
        PhotoPlan(
            "potting_shed_lamp",
            ("warm lamp", "needle", "broad"),
            tuple(mixed),
            CameraPlan(tilt_deg=9.0, roll_deg=-2.0, k1=0.010, k2=-0.008),
            light_of("warm", 60, 52),
            107,
            bench="wood",
            development=Development(electrons=4500, read_noise=0.002),
        ),
        PhotoPlan(
            "thirty_miniatures",
            ("tiny", "thirty"),
            tuple(littles),
            CameraPlan(tilt_deg=3.0, k1=-0.006, k2=0.006),
            light_of("soft", 100, 60),
            108,
            bench="steel",
            curl=Curl(0.2, 5.0),
        ),
        PhotoPlan(
            "untidy_bench_with_pen",
            ("debris", "pen", "overlapping pair", "stray leaves"),
            tuple(untidy),
            CameraPlan(tilt_deg=5.0, roll_deg=1.0, k1=-0.009, k2=0.010),
            light_of("window", 110, 42),
            109,
            bench="board",
            curl=Curl(0.3, 2.5),
            lay=LayPlan(is_pair_overlapping=True, spread_deg=5),
            clutter=Clutter(crumbs=16, needles=14, drops=5, pen=(175.0, 171.0, 2.0)),
        ),
        PhotoPlan(
            "tilted_fifteen_degrees",
            ("tilt",),
            tuple(usual(rng) for _ in range(6)),
            CameraPlan(tilt_deg=15.0, tilt_towards_deg=-80, fill=0.84, k1=-0.010, k2=0.012),
            light_of("soft", 20, 60),
            110,
            bench="wood",
            curl=Curl(0.4, 1.5),
        ),
    ]
