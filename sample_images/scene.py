"""The scene of one photo, and the light that it throws on the phone's sensor.

Frame ``mat``: millimetres, origin at the middle of the sheet, x right, y up, z up out of the paper.
"""

from typing import Any

import numpy as np
from bench import cards, lights, mat_sheet, phone_body, table
from bodies import bodies
from facemap import face_maps, textured
from knife import handle, steel_body
from lens import Camera
from numpy.typing import NDArray
from steel import cloth, film, ground, paper_grain, wood

STEEL = np.float32(0.46)  # share of light that ground steel gives back


def surfaces(pair: dict[str, Any], photo: dict[str, Any]) -> dict[str, Any]:
    """Return the pictures that the scene's surfaces need; slow, and free of the path tracer."""
    bench = np.random.default_rng([pair["seed"], 5])
    face = np.random.default_rng(
        [pair["seed"], {"left": 1, "right": 2}[photo["face"]]]
    )  # a face keeps its lines
    weave = {"wood": wood, "cloth": cloth}[pair["table"]["kind"]]
    finish = pair["finish"]
    if textured(pair):  # what isn't the face gets plain lines
        finish = {"flat_grit": 220, "bevel_grit": 220}
    made = {
        "field": paper_grain(bench),
        "table": weave(bench, tuple(pair["table"]["tone"])),
        "scale": wood(bench, tuple(pair["scale_tone"])),
        "flat": ground(finish["flat_grit"], face),
        "bevel": ground(finish["bevel_grit"], face),
        "flat_film": STEEL * film(face, photo["dirt"]),
        "bevel_film": STEEL * film(face, photo["dirt"]),
    }
    return made | ({"maps": face_maps(pair, photo)} if textured(pair) else {})


def built(
    mi: Any,
    mat: dict[str, Any],
    pair: dict[str, Any],
    photo: dict[str, Any],
    camera: Camera,
    made: dict[str, Any],
) -> Any:
    """Build the scene of one photo; ``made`` are its `surfaces`."""
    content: dict[str, Any] = {"type": "scene"}
    content |= mat_sheet(mi, mat, pair, made)
    content |= table(mi, pair, made)
    content |= steel_body(mi, pair, photo, made)
    content |= handle(mi, pair, photo, made)
    content |= lights(mi, photo["light"], np.random.default_rng(photo["light"]["seed"]))
    content |= phone_body(mi, photo, camera)
    content |= cards(mi, photo)
    content |= bodies(mi, photo)
    return mi.load_dict(content, parallel=False)


def taken(
    mi: Any, scene: Any, camera: Camera, blur: dict[str, Any], *, samples: int, seed: int
) -> NDArray[np.float32]:
    """Return the light on the sensor, shape (height, width, 3).

    Rays start from pixels shaken by the lens's and the hand's blur, and go through the lens's distortion
    exactly, so that nothing is resampled: ``blur`` has ``sigma_px``, ``motion_px`` and ``motion_deg``.
    """
    import drjit as dr

    integrator = mi.load_dict({"type": "path", "max_depth": 5, "rr_depth": 8})
    count = camera.width_px * camera.height_px
    index = dr.arange(mi.UInt32, count)
    column = mi.Float(index % camera.width_px)
    row = mi.Float(index // camera.width_px)

    def held(value: float) -> Any:
        """Keep a number out of the compiled program, so that the next photo can use it again."""
        return dr.opaque(mi.Float, float(value))

    k1, k2, p1, p2, k3 = (held(k) for k in camera.distortion)
    focal, centre = held(camera.focal_px), [held(c) for c in camera.centre_px]
    turn = [[held(m) for m in row] for row in camera.cam_from_mat.T]
    start = mi.Point3f(*[held(v) for v in camera.place_mm])
    swing = np.radians(blur["motion_deg"])
    sigma = held(blur["sigma_px"])
    swing_x, swing_y = (held(blur["motion_px"] * share) for share in (np.cos(swing), np.sin(swing)))
    total = dr.zeros(mi.Color3f, count)
    sampler = mi.load_dict({"type": "ldsampler", "sample_count": samples})
    sampler.set_samples_per_wavefront(1)
    sampler.seed(seed, count)
    for _ in range(sampler.sample_count()):
        box = sampler.next_2d() - 0.5
        soft = mi.warp.square_to_std_normal(sampler.next_2d()) * sigma
        along = sampler.next_1d() - 0.5
        xd = (column + box.x + soft.x + along * swing_x - centre[0]) / focal
        yd = (row + box.y + soft.y + along * swing_y - centre[1]) / focal
        x, y = mi.Float(xd), mi.Float(yd)
        for _ in range(8):
            r2 = x * x + y * y
            radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
            x, y = (
                (xd - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / radial,
                (yd - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / radial,
            )
        way = dr.normalize(mi.Vector3f(*[m[0] * x + m[1] * y + m[2] for m in turn]))
        light, _, _ = integrator.sample(scene, sampler, mi.RayDifferential3f(start, way))
        # a rare very bright path would leave a white dot
        total += dr.minimum(dr.select(dr.isfinite(light), light, 0.0), 60.0)
        sampler.advance()
        sampler.schedule_state()
        dr.eval(total)
    out = np.array(total).reshape(3, camera.height_px, camera.width_px)
    return np.ascontiguousarray(np.moveaxis(out, 0, -1)).astype(np.float32) / sampler.sample_count()
