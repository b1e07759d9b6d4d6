"""Render the sample photos, or another list of pairs, with their truth.

Run ``python sample_images/render.py`` to render every pair of ``pairs.json`` into this folder again, with
``--faces`` those of ``faces.json``, single faces for the finish check. Needs mitsuba, numpy, scipy and
Pillow; a graphics card is used where there is one.
"""

import argparse
import json
import math
import multiprocessing
import time
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from blade import Blade, differences, figures, lines
from facemap import face_truth, pair_changes, textured
from knife import world
from lens import Camera, aimed
from mesh import renderer
from numpy.typing import NDArray
from phone import developed, write
from rim import outline
from scene import built, surfaces, taken

HERE = Path(__file__).parent
PAPER_LIGHT = 0.58  # where the phone's exposure puts the paper's white, as a share of the sensor's


def main() -> None:
    """Read the command line and render."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=Path, default=HERE / "pairs.json", help="descriptions of the pairs")
    parser.add_argument(
        "--faces", type=Path, nargs="?", const=HERE / "faces.json", help="a list of single faces instead"
    )
    parser.add_argument("--out", type=Path, default=HERE, help="folder for photos and truth")
    parser.add_argument("--only", nargs="*", help="names of the pairs to render")
    parser.add_argument("--samples", type=int, default=64, help="rays a pixel")
    parser.add_argument("--shrink", type=int, default=1, help="divide the picture's size, for a quick look")
    parser.add_argument("--workers", type=int, default=2, help="processes that develop photos")
    parser.add_argument("--mats", type=Path, default=HERE.parent / "calibration" / "mats.json")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    mats = json.loads(args.mats.read_text(encoding="utf-8"))
    pairs = json.loads((args.faces or args.pairs).read_text(encoding="utf-8"))["pairs"]
    begin = time.monotonic()
    waiting: list[Future[None]] = []
    pairs = [pair for pair in pairs if not args.only or pair["name"] in args.only]
    shots = [(pair, photo) for pair in pairs for photo in pair["photos"]]
    with ProcessPoolExecutor(args.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        ahead = [pool.submit(surfaces, *shot) for shot in shots[: args.workers]]
        for pair in pairs:
            mat = mats[pair["paper"]]
            truths = []
            for photo in pair["photos"]:
                camera = _camera(photo, mat, args.shrink)
                truths.append(photo_truth(pair, photo, camera))
                made = ahead.pop(0).result()
                if len(shots) > args.workers:
                    ahead.append(pool.submit(surfaces, *shots[args.workers]))
                shots.pop(0)
                light = _light(mat, pair, photo, camera, made, args.samples)
                waiting = [job for job in waiting if not _done(job)]
                while len(waiting) > args.workers:  # keeps the memory bounded
                    waiting.pop(0).result()
                waiting.append(pool.submit(_develop, light, pair, photo, camera, mat, args.out))
                print(f"{time.monotonic() - begin:7.1f} s  {photo['file']}", flush=True)
            truth = pair_truth(pair, truths)
            (args.out / f"{pair['name']}.json").write_text(json.dumps(truth) + "\n", encoding="utf-8")
        for job in waiting:
            job.result()


def photo_truth(pair: dict[str, Any], photo: dict[str, Any], camera: Camera) -> dict[str, Any]:
    """Return what is true of one photo, with the lines in its pixels for debugging."""
    blade = Blade.from_data(pair["blade"])
    face = blade.face(photo["face"])
    drawn = lines(blade, face)
    around = outline(blade, step_mm=0.5)
    at_mid = np.column_stack([around, np.zeros(len(around))])

    def px(points: NDArray[np.float64]) -> list[list[float]]:
        return np.round(camera.project(world(blade, photo, points)), 3).tolist()

    shown = {f"{name}_px": px(points) for name, points in drawn.items()}
    return {
        "file": photo["file"],
        "face": photo["face"],
        "camera": camera.as_data(),
        "f35_mm_true": camera.focal_px / math.hypot(camera.width_px, camera.height_px) * math.hypot(36, 24),
        "place": photo["place"],
        "figures": figures(blade, face),
        **shown,
        "outline_mid_px": px(at_mid),
        **face_truth(pair, photo, px),
        "light": photo["light"]["kind"],
        "blur": photo["blur"],
        "tags": photo.get("tags", {}),
    }


def pair_truth(pair: dict[str, Any], photos: list[dict[str, Any]]) -> dict[str, Any]:
    """Return what is true of a pair."""
    blade = Blade.from_data(pair["blade"])
    drawn = {side: lines(blade, blade.face(side)) for side in ("left", "right")}
    changed = {"changes": pair_changes(photos)} if textured(pair) and len(photos) > 1 else {}
    return {
        "name": pair["name"],
        "paper": pair["paper"],
        "print_scale": pair["print_scale"],
        "bars_known": pair["bars_known"],
        "thickness_mm": blade.thickness_mm,
        "edge_thickness_mm": blade.edge_thickness_mm,
        "flat_height_mm": blade.flat_height_mm,
        "grind": blade.grind,
        "faces": {side: figures(blade, blade.face(side)) for side in ("left", "right")},
        "differences": differences(blade),
        "outline_mm": np.round(outline(blade, step_mm=0.5), 4).tolist(),
        "lines_mm": {
            side: {name: np.round(points, 4).tolist() for name, points in found.items()}
            for side, found in drawn.items()
        },
        "tags": pair.get("tags", {}),
        "photos": photos,
        **changed,
    }


def _camera(photo: dict[str, Any], mat: dict[str, Any], shrink: int) -> Camera:
    view = dict(photo["view"])
    view["size_px"] = [size // shrink for size in view["size_px"]]
    view["centre_off_px"] = [off / shrink for off in view["centre_off_px"]]
    frame = mat["columns"] * mat["square_mm"], mat["rows"] * mat["square_mm"]
    return aimed(view, frame)


def _light(
    mat: dict[str, Any],
    pair: dict[str, Any],
    photo: dict[str, Any],
    camera: Camera,
    made: dict[str, Any],
    samples: int,
) -> NDArray[np.float16]:
    mi = renderer()
    scene = built(mi, mat, pair, photo, camera, made)
    light = taken(mi, scene, camera, photo["blur"], samples=samples, seed=photo["seed"])
    return np.clip(light / max(_paper(light, mat, pair, camera).mean(), 1e-6), 0, 1000).astype(np.float16)


def _paper(
    light: NDArray[Any], mat: dict[str, Any], pair: dict[str, Any], camera: Camera
) -> NDArray[np.float64]:
    """Return the paper's white in the picture: the median over the markers' surrounds."""
    square = mat["square_mm"]
    places = np.array([
        [(m["column"] + 0.5) * square - mat["columns"] * square / 2 + 5.25,
         mat["rows"] * square / 2 - (m["row"] + 0.5) * square, 0] for m in mat["markers"]
    ])  # fmt: skip
    pixels = np.rint(camera.project(places * [*pair["print_scale"], 1])).astype(int)
    inside = np.all((pixels >= 0) & (pixels < [camera.width_px, camera.height_px]), axis=1)
    found = light[pixels[inside, 1], pixels[inside, 0]]
    return np.median(found.astype(np.float64), axis=0)


def _develop(
    light: NDArray[np.float16],
    pair: dict[str, Any],
    photo: dict[str, Any],
    camera: Camera,
    mat: dict[str, Any],
    out: Path,
) -> None:
    picture = light.astype(np.float32)
    white = _paper(picture, mat, pair, camera)
    phone = dict(photo["phone"])
    full = white.mean() / white
    phone["balance"] = (full ** phone["balance_strength"]).tolist()
    bright = np.percentile(picture.mean(axis=-1)[::4, ::4], 98.5)
    gain = PAPER_LIGHT * phone["exposure"] / max(1.0, bright / 1.9) ** 0.7
    made = developed(
        picture * np.float32(gain), phone, np.random.default_rng([pair["seed"], photo["seed"], 3])
    )
    write(made, out / photo["file"], phone)


def _done(job: "Future[None]") -> bool:
    if job.done():
        job.result()
        return True
    return False


if __name__ == "__main__":
    main()
