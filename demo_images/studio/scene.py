"""What stands before the camera, described for Mitsuba: meshes, paper, bench, lights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from .camera import world_of_page
from .lights import Light
from .mesh import Mesh, corner_normals
from .surroundings import Curl

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

BENCH_BELOW_MM = 0.25
"""The paper's thickness and the air under it."""
BENCH_SIDE_MM = 1600.0
PAPER_POINTS = 61


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """Everything in front of the camera; meshes in true mm from the sheet's top left corner."""

    page_mm: tuple[float, float]
    """As printed."""
    paper: Picture
    """(H, W, 3) reflectance of the printed sheet."""
    bench: Picture
    """(N, N, 3) reflectance of the bench."""
    curl: Curl
    leafy: Mesh
    """Cuttings and other matt things."""
    glossy: Mesh
    """A pen and the like."""
    drops_mm: Floats
    """(N, 3) water drops: page x, page y, radius."""
    light: Light


def described(stage: Stage) -> dict[str, Any]:
    """Return the scene for ``mitsuba.load_dict``, world in mm."""
    scene: dict[str, Any] = {
        "type": "scene",
        "sky": {"type": "constant", "radiance": {"type": "rgb", "value": list(stage.light.sky)}},
        "bench": {
            "type": "rectangle",
            "to_world": mi.ScalarTransform4f()
            .translate([0, 0, -BENCH_BELOW_MM])
            .scale([BENCH_SIDE_MM / 2, BENCH_SIDE_MM / 2, 1]),
            "bsdf": {"type": "diffuse", "reflectance": _texture(stage.bench)},
        },
    }
    for k, lamp in enumerate(stage.light.lamps):
        scene[f"lamp_{k}"] = {
            "type": "sphere",
            "center": list(lamp.place_mm),
            "radius": lamp.radius_mm,
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": list(lamp.radiance)}},
        }
    scene["paper"] = _paper(stage)
    leaf_look = {"type": "principled", "roughness": 0.45, "specular": 0.35}
    gloss_look = {"type": "principled", "roughness": 0.18, "specular": 0.6}
    for name, mesh, look in (("leafy", stage.leafy, leaf_look), ("glossy", stage.glossy, gloss_look)):
        if len(mesh.faces):
            scene[name] = _solid(name, mesh, look, stage)
    for k, (x, y, radius) in enumerate(stage.drops_mm):
        scene[f"drop_{k}"] = _drop(x, y, radius, stage)
    return scene


def _texture(picture: Picture) -> dict[str, Any]:
    return {"type": "bitmap", "bitmap": mi.Bitmap(picture), "raw": True, "filter_type": "bilinear"}


def _paper(stage: Stage) -> Any:
    """Return the sheet: a grid bent by its curl."""
    n = PAPER_POINTS
    u, v = np.meshgrid(np.linspace(0, 1, n), np.linspace(0, 1, n))
    page = np.column_stack([u.ravel() * stage.page_mm[0], v.ravel() * stage.page_mm[1]])
    points = np.column_stack([page, stage.curl.z_mm(page, stage.page_mm)])
    row, column = np.meshgrid(np.arange(n - 1), np.arange(n - 1), indexing="ij")
    here = (row * n + column).ravel()
    faces = np.concatenate(
        [np.column_stack([here, here + n, here + 1]), np.column_stack([here + 1, here + n, here + n + 1])]
    )
    return _mesh(
        "paper",
        world_of_page(points, stage.page_mm),
        faces,
        {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _texture(stage.paper)}},
        texture_uv=np.column_stack([u.ravel(), v.ravel()]),
    )


def _solid(name: str, mesh: Mesh, look: dict[str, Any], stage: Stage) -> Any:
    """Return plants or things: they ride on the curled paper."""
    points = mesh.vertices_mm.copy()
    points[:, 2] += stage.curl.z_mm(points[:, :2], stage.page_mm)
    mesh = mesh.moved(world_of_page(points, stage.page_mm))
    colour = {"type": "mesh_attribute", "name": "vertex_color"}
    bsdf = {"type": "twosided", "bsdf": {**look, "base_color": colour}}
    return _mesh(name, mesh.vertices_mm, mesh.faces, bsdf, normals=corner_normals(mesh), colours=mesh.colours)


def _mesh(
    name: str,
    points: Floats,
    faces: NDArray[np.int64],
    bsdf: dict[str, Any],
    *,
    normals: Floats | None = None,
    texture_uv: Floats | None = None,
    colours: Floats | None = None,
) -> Any:
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh(
        name,
        len(points),
        len(faces),
        has_vertex_normals=normals is not None,
        has_vertex_texcoords=texture_uv is not None,
        props=props,
    )
    if colours is not None:
        mesh.add_attribute("vertex_color", 3, colours.astype(np.float32).ravel())
    params = mi.traverse(mesh)
    params["vertex_positions"] = points.astype(np.float32).ravel()
    params["faces"] = faces.astype(np.uint32).ravel()
    if normals is not None:
        params["vertex_normals"] = normals.astype(np.float32).ravel()
    if texture_uv is not None:
        params["vertex_texcoords"] = texture_uv.astype(np.float32).ravel()
    params.update()
    return mesh


def _drop(x_mm: float, y_mm: float, radius_mm: float, stage: Stage) -> dict[str, Any]:
    """Return a water drop: a flattened ball half in the paper."""
    place = np.array([[x_mm, y_mm]])
    z = float(stage.curl.z_mm(place, stage.page_mm)[0])
    at = world_of_page(np.array([[x_mm, y_mm, z]]), stage.page_mm)[0]
    return {
        "type": "sphere",
        "to_world": mi.ScalarTransform4f()
        .translate(at.tolist())
        .scale([radius_mm, radius_mm, 0.45 * radius_mm]),
        "bsdf": {"type": "dielectric", "int_ior": "water", "ext_ior": "air"},
    }
