"""Light in, picture out: path tracing with Mitsuba 3 through the exact lens model, pixel by pixel.

Rays start from the distorted picture, so no picture is ever resampled.  The result is linear light,
one value per pixel, the mean over the pixel's square.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .lights import Lamp, Light
from .mesh import Mesh, Part, corner_normals

Pixels = NDArray[np.float32]

VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb")
BENCH_BELOW_MM = 0.15
"""The sheet's lower side hovers this far above the bench."""
BENCH_HALF_MM = 620.0
MAX_DEPTH = 5
LANES = 48_000_000
"""Light paths followed at once: bounds the memory of the graphics card."""
CLAMP = 12.0
"""Single paths brighter than this (paper is about 1) are dimmed: speckle."""
UNDISTORT_STEPS = 12


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """All that is to be seen."""

    camera: Camera
    light: Light
    sheet_mm: tuple[float, float]
    """True size."""
    sheet_picture: Pixels
    """(rows, columns) reflectance."""
    curl_mm: float
    curl_axis_deg: float
    bench_picture: Pixels
    plants: Mesh
    things: Mesh
    water: Mesh


def curl_height(
    points_mm: NDArray[np.float64], sheet_mm: tuple[float, float], curl_mm: float, axis_deg: float
) -> NDArray[np.float64]:
    """Return (N,) height of the sheet above the bench: a parabola, ``curl_mm`` high at the far edges."""
    if curl_mm == 0.0:
        return np.zeros(len(points_mm))
    a = np.radians(axis_deg)
    across = np.asarray(points_mm)[:, 0] * np.cos(a) + np.asarray(points_mm)[:, 1] * np.sin(a)
    half = abs(sheet_mm[0] / 2 * np.cos(a)) + abs(sheet_mm[1] / 2 * np.sin(a))
    return np.asarray(curl_mm * (across / half) ** 2)


def choose_variant() -> str:
    """Select the fastest variant that works here, and return its name."""
    import mitsuba as mi

    for name in VARIANTS:
        try:
            mi.set_variant(name)
            import drjit as dr

            dr.eval(dr.arange(mi.Float, 2) + 1)
            return name
        except Exception:
            continue
    raise RuntimeError("Mitsuba finds neither a graphics card nor LLVM: install libllvm19 or newer")


def path_trace(stage: Stage, *, plain_spp: int, fine_spp: int, seed: int) -> Pixels:
    """Return (H, W, 3) linear light; ``fine_spp`` more paths where there is more than plain paper."""
    import mitsuba as mi

    scene = mi.load_dict(_scene(stage, mi))
    width, height = stage.camera.size_px
    integrator = mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "hide_emitters": True})
    every = np.arange(width * height, dtype=np.uint32)
    picture = _trace(scene, integrator, stage.camera, every, plain_spp, seed, mi)
    if fine_spp:
        busy = _busy(picture.reshape(height, width, 3))
        chosen = every[busy.ravel()]
        fine = _trace(scene, integrator, stage.camera, chosen, fine_spp, seed + 7919, mi)
        share = fine_spp / (fine_spp + plain_spp)
        picture[chosen] = picture[chosen] * (1 - share) + fine * share
    return picture.reshape(height, width, 3)


def _busy(picture: Pixels) -> NDArray[np.bool_]:
    """Return where the picture is not bright and smooth: plants, their shadows, print, bench edge."""
    from scipy.ndimage import maximum_filter, uniform_filter

    grey = uniform_filter(picture.mean(axis=-1), 3)
    bright = np.quantile(grey, 0.8)
    colour = uniform_filter(np.ptp(picture, axis=-1), 3)
    usual = np.median(colour[grey > 0.7 * bright])
    return np.asarray(maximum_filter((grey < 0.72 * bright) | (np.abs(colour - usual) > 0.2 * bright), 15))


def _trace(
    scene: Any, integrator: Any, camera: Camera, pixels: NDArray[np.uint32], spp: int, seed: int, mi: Any
) -> Pixels:
    """Return (N, 3) mean light of the given pixels (row-major numbers)."""
    import drjit as dr

    out = np.empty((len(pixels), 3), dtype=np.float32)
    step = max(LANES // spp, 1)
    side = max(int(round(spp**0.5)), 1)
    for number, start in enumerate(range(0, len(pixels), step)):
        part = pixels[start : start + step]
        sampler = mi.load_dict({"type": "multijitter", "sample_count": side * side})
        count = int(sampler.sample_count())
        sampler.set_samples_per_wavefront(count)
        sampler.seed(seed * 1009 + number, len(part) * count)
        lane = dr.arange(mi.UInt32, len(part) * count) // count
        number_of = dr.gather(mi.UInt32, mi.UInt32(part), lane)
        ray = _rays(camera, number_of, sampler.next_2d(), mi, dr)
        light, _, _ = integrator.sample(scene, sampler, ray)
        light = dr.minimum(light, CLAMP)
        sums = [dr.block_reduce(dr.ReduceOp.Add, channel, count) for channel in (light.x, light.y, light.z)]
        dr.eval(sums)
        out[start : start + step] = np.stack([np.asarray(total) for total in sums], axis=-1) / count
    return out


def _rays(camera: Camera, number: Any, jitter: Any, mi: Any, dr: Any) -> Any:
    """Return rays through pixels; pixel centres are whole numbers."""
    width = camera.size_px[0]
    bent_x = (mi.Float(number % width) + jitter.x - 0.5 - camera.centre_px[0]) / camera.focal_px
    bent_y = (mi.Float(number // width) + jitter.y - 0.5 - camera.centre_px[1]) / camera.focal_px
    k1, k2, p1, p2 = camera.dist
    x, y = bent_x, bent_y
    for _ in range(UNDISTORT_STEPS):
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + k2 * r2)
        dx = 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        dy = p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        x, y = (bent_x - dx) / radial, (bent_y - dy) / radial
    rotation = camera.rotation.T
    direction = mi.Vector3f(*(rotation[k, 0] * x + rotation[k, 1] * y + rotation[k, 2] for k in range(3)))
    origin = mi.Point3f(*(float(value) for value in camera.eye_mm))
    return mi.RayDifferential3f(mi.Ray3f(origin, dr.normalize(direction)))


def _scene(stage: Stage, mi: Any) -> dict[str, Any]:
    wood = stage.plants.parts == Part.WOOD
    scene: dict[str, Any] = {
        "type": "scene",
        "sky": {"type": "constant", "radiance": {"type": "rgb", "value": list(stage.light.sky)}},
        "sheet": _sheet(stage, mi),
        "bench": _bench(stage, mi),
    }
    for number, lamp in enumerate(stage.light.lamps):
        scene[f"lamp{number}"] = _lamp(lamp, mi)
    for name, mesh, roughness, specular in (
        ("wood", _only(stage.plants, wood), 0.75, 0.25),
        ("leaves", _only(stage.plants, ~wood), 0.45, 0.45),
        ("things", stage.things, 0.45, 0.4),
    ):
        if len(mesh.faces):
            scene[name] = _shape(name, mesh, _coloured(roughness, specular), mi)
    if len(stage.water.faces):
        scene["water"] = _shape("water", stage.water, {"type": "dielectric", "int_ior": "water"}, mi)
    return scene


def _coloured(roughness: float, specular: float) -> dict[str, Any]:
    inner = {
        "type": "principled",
        "base_color": {"type": "mesh_attribute", "name": "vertex_color"},
        "roughness": roughness,
        "specular": specular,
    }
    return {"type": "twosided", "bsdf": inner}


def _shape(
    name: str, mesh: Mesh, bsdf: dict[str, Any], mi: Any, uv: NDArray[np.float64] | None = None
) -> Any:
    """Return a Mitsuba mesh with smooth normals and colours."""
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(bsdf)
    shape = mi.Mesh(
        name,
        vertex_count=len(mesh.vertices_mm),
        face_count=len(mesh.faces),
        has_vertex_normals=True,
        has_vertex_texcoords=uv is not None,
        props=properties,
    )
    shape.add_attribute("vertex_color", 3, mesh.colours.astype(np.float32).ravel())
    parameters = mi.traverse(shape)
    parameters["vertex_positions"] = mesh.vertices_mm.astype(np.float32).ravel()
    parameters["vertex_normals"] = corner_normals(mesh).astype(np.float32).ravel()
    parameters["faces"] = mesh.faces.astype(np.uint32).ravel()
    if uv is not None:
        parameters["vertex_texcoords"] = uv.astype(np.float32).ravel()
    parameters.update()
    return shape


def _only(mesh: Mesh, chosen: NDArray[np.bool_]) -> Mesh:
    faces = mesh.faces[chosen]
    used, numbers = np.unique(faces, return_inverse=True)
    return Mesh(mesh.vertices_mm[used], numbers.reshape(-1, 3), mesh.colours[used], mesh.parts[chosen])


def _sheet(stage: Stage, mi: Any) -> Any:
    from .mesh import grid_faces

    columns, rows = 91, 65
    u, v = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
    x, y = (u.ravel() - 0.5) * stage.sheet_mm[0], (0.5 - v.ravel()) * stage.sheet_mm[1]
    flat = np.column_stack([x, y])
    z = curl_height(flat, stage.sheet_mm, stage.curl_mm, stage.curl_axis_deg)
    # faces wound so that normals look up
    faces = grid_faces(rows, columns)[:, ::-1]
    mesh = Mesh(np.column_stack([flat, z]), faces, np.ones((len(flat), 3)), np.zeros(len(faces), int))
    picture = mi.Bitmap(np.ascontiguousarray(stage.sheet_picture[..., None]))
    bsdf = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _texture(picture)}}
    return _shape("sheet", mesh, bsdf, mi, np.column_stack([u.ravel(), v.ravel()]))


def _bench(stage: Stage, mi: Any) -> dict[str, Any]:
    t = (
        mi.ScalarTransform4f()
        .translate([0.0, 0.0, -BENCH_BELOW_MM])
        .scale([BENCH_HALF_MM, BENCH_HALF_MM, 1.0])
    )
    picture = mi.Bitmap(np.ascontiguousarray(stage.bench_picture))
    return {"type": "rectangle", "to_world": t, "bsdf": {"type": "diffuse", "reflectance": _texture(picture)}}


def _texture(picture: Any) -> dict[str, Any]:
    return {"type": "bitmap", "bitmap": picture, "raw": True, "filter_type": "bilinear", "wrap_mode": "clamp"}


def _lamp(lamp: Lamp, mi: Any) -> dict[str, Any]:
    at = list(lamp.at_mm)
    up = [0.0, 0.0, 1.0] if abs(at[2]) < 0.99 * float(np.linalg.norm(at)) else [0.0, 1.0, 0.0]
    t = mi.ScalarTransform4f().look_at(origin=at, target=[0.0, 0.0, 0.0], up=up)
    return {
        "type": "rectangle" if lamp.is_square else "disk",
        "to_world": t.scale([lamp.size_mm, lamp.size_mm, 1.0]),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": list(lamp.radiance)}},
    }
