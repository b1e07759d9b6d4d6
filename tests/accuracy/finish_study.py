"""How right a finish check is: path-traced faces with scratches of known truth, finish by finish.

    python tests/accuracy/finish_study.py FOLDER [--jobs 2]

FOLDER holds ``NAME.json`` (truth, as ``sample_images/render.py --faces`` writes it) beside its photos. Each
photo is checked with the thickness as marked on the stock. A true scratch counts as found if more than half
of the points of a found one lie within 0.4 mm of it, and as there to be found if at least half of it lies in
a searched region; its contrast is measured along its known path (``contrast.py``), so that recall is told by
what the photo shows. A found one that lies on no true scratch is a false find.
"""

import argparse
import itertools
import json
import multiprocessing
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

Array = NDArray[np.float64]
NEAR_MM = 0.4
BANDS = (0.0, 0.5, 1.0, 1.5, 2.5, np.inf)


def dense(path: Array) -> Array:
    """Points of a path every 0.1 of its unit."""
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    steps = np.linspace(0.0, at[-1], max(2, int(at[-1] / 0.1)))
    return np.column_stack([np.interp(steps, at, path[:, axis]) for axis in (0, 1)])


def share_near(points: Array, path: Array) -> float:
    """Share of points that lie within `NEAR_MM` of a path."""
    line = dense(path)
    return float(np.mean([np.hypot(*(line - point).T).min() < NEAR_MM for point in points]))


def measure(truth_file: Path) -> dict[str, Any]:
    """Check every photo of one face and set what is found beside the truth."""
    from contrast import contrast

    from grindcheck.errors import GrindcheckError
    from grindcheck.finish.check import check_finish
    from grindcheck.finish.request import FinishRequest

    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    out: dict[str, Any] = {"name": truth["name"], "photos": [], "change": []}
    paths = [truth_file.parent / photo["file"] for photo in truth["photos"]]
    for photo, path in zip(truth["photos"], paths, strict=True):
        row: dict[str, Any] = {
            "file": photo["file"],
            "kind": "/".join(photo["finish"][name]["kind"] for name in ("flat", "bevel")),
            "light": photo["light"],
        }
        out["photos"].append(row)
        try:
            request = FinishRequest(photos=(path,), thickness_mm=truth["thickness_mm"])
            face = check_finish(request).faces[0]
        except GrindcheckError as problem:
            row["refused"] = problem.message
            continue
        step = float(face.mm_per_px or 1.0)
        to_px = _photo_to_face(path, truth["thickness_mm"])
        grey = _grey(path)
        row["side_right"] = face.side == photo["face"]
        row["megapixels"] = sum(region.area_px for region in face.regions) / 1e6
        row["scratches"], taken = [], set()
        for one in photo["scratches"]:
            there = to_px(np.array(one["path_px"])) * step
            hits = [n for n, s in enumerate(face.scratches) if share_near(s.path_px * step, there) > 0.5]
            taken.update(hits)
            hits.sort(key=lambda n: -face.scratches[n].length_px)
            seen = contrast(grey, one["path_px"], width_px=max(one["width_mm"] / step, 1.0))
            lay = _lay_of(face, one["region"])
            off = None if lay is None else abs((one["angle_deg"] - lay + 90.0) % 180.0 - 90.0)
            row["scratches"].append(
                {
                    "kind": one["kind"],
                    "length_mm": one["length_mm"],
                    "contrast": max(abs(seen.peak), seen.swing / 2),
                    "off_lay_deg": off,
                    "searched": _searched_share(face, there / step) >= 0.5,
                    "found": bool(hits),
                    "ends_mm": [_end_error(face.scratches[n].path_px * step, there) for n in hits[:1]],
                    "length_error_mm": [
                        float(face.scratches[n].length_mm or 0) - one["length_mm"] for n in hits[:1]
                    ],
                }
            )
        row["false"] = [
            (s.region, round(float(s.length_mm or 0), 1), round(s.contrast, 2), round(s.log_nfa, 1))
            for n, s in enumerate(face.scratches)
            if n not in taken
        ]
    if len(paths) == 2 and "changes" in truth:
        out["change"] = _changes(truth, paths)
    return out


def _photo_to_face(path: Path, thickness_mm: float) -> Any:
    """How pixels of the photo become pixels of the searched picture."""
    from grindcheck.photo import read_photo
    from grindcheck.pipeline import Request, look_at
    from grindcheck.placing import Stance

    stance = Stance(thickness_mm=thickness_mm, height_mm=thickness_mm, edge_mm=0.5)
    seen = look_at(read_photo(path), Request(photos=(path, path), thickness_mm=thickness_mm), stance)
    plane = seen.outline.face.plane
    return lambda px: plane.index_from_grid(
        plane.grid_from_mat(seen.camera.mm_from_px(np.asarray(px, dtype=np.float64), plane.height_mm))
    )


def _grey(path: Path) -> NDArray[np.float32]:
    from grindcheck.photo import read_photo

    return np.asarray(read_photo(path).bgr.mean(axis=2), dtype=np.float32)


def _lay_of(face: Any, name: str) -> float | None:
    lays = {region.name: region.lay.direction_rad for region in face.regions}
    direction = lays.get(name, next(iter(lays.values()), None))
    return None if direction is None else float(np.degrees(direction))


def _searched_share(face: Any, path_px: Array) -> float:
    import cv2

    inside = np.ones(face.drawing.picture.shape[:2], dtype=np.uint8)
    for one in face.excluded:
        cv2.fillPoly(inside, [np.rint(one.polygon_px).astype(np.int32)], 0)
    at = np.rint(dense(path_px)).astype(int)
    rows, columns = inside.shape
    ok = (at[:, 0] >= 0) & (at[:, 0] < columns) & (at[:, 1] >= 0) & (at[:, 1] < rows)
    return float(inside[at[ok, 1], at[ok, 0]].sum() / len(at))


def _end_error(found: Array, true: Array) -> float:
    """Return the larger of both ends' distances."""
    same = max(np.hypot(*(found[0] - true[0])), np.hypot(*(found[-1] - true[-1])))
    other = max(np.hypot(*(found[0] - true[-1])), np.hypot(*(found[-1] - true[0])))
    return float(min(same, other))


def _changes(truth: dict[str, Any], paths: list[Path]) -> list[dict[str, Any]]:
    from grindcheck.errors import GrindcheckError
    from grindcheck.finish.check import check_finish
    from grindcheck.finish.request import FinishRequest

    try:
        request = FinishRequest(photos=(paths[1],), before=(paths[0],), thickness_mm=truth["thickness_mm"])
        face = check_finish(request).faces[0]
    except GrindcheckError as problem:
        return [{"true": "refused", "said": problem.message}]
    to_px = _photo_to_face(paths[1], truth["thickness_mm"])
    step = float(face.mm_per_px or 1.0)
    known = {one["id"]: one for photo in truth["photos"] for one in photo["scratches"]}
    now = {one["id"] for one in truth["photos"][1]["scratches"]}
    out = []
    for kind, names in truth["changes"].items():
        for name in names:
            if name not in now:
                continue
            there = to_px(np.array(known[name]["path_px"])) * step
            for one in face.scratches:
                if share_near(one.path_px * step, there) > 0.5:
                    out.append({"true": kind, "said": str(one.change), "id": name})
    # one that is gone is in no photo of now: its place there follows from the bevel's border
    border = truth["photos"][1]["regions"]["bevel"]
    at_mm = np.array(border["border_mm"], dtype=np.float64)
    affine, *_ = np.linalg.lstsq(
        np.column_stack([at_mm, np.ones(len(at_mm))]), to_px(np.array(border["border_px"])), rcond=None
    )
    old = [np.array(known[name]["path_mm"]) for name in truth["changes"].get("gone", [])]
    there = [(np.column_stack([path, np.ones(len(path))]) @ affine) * step for path in old]
    for gone in face.earlier.gone if face.earlier is not None else ():
        matched = any(share_near(gone.path_px * step, path) > 0.5 for path in there)
        out.append({"true": "gone" if matched else "not gone", "said": gone.change})
    return out


def main() -> None:
    """Measure a folder and print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    files = sorted(args.folder.glob("*.json"))
    with multiprocessing.get_context("spawn").Pool(args.jobs) as pool:
        rows = pool.map(measure, files, chunksize=1)
    if args.json is not None:
        args.json.write_text(json.dumps(rows) + "\n", encoding="utf-8")
    report(rows)


def report(rows: list[dict[str, Any]]) -> None:
    """Print recall by contrast, false finds by finish, ends, and what changed."""
    photos = [photo for row in rows for photo in row["photos"]]
    done = [photo for photo in photos if "refused" not in photo]
    print(f"{len(photos)} photos, {len(photos) - len(done)} refused, "
          f"{sum(not photo['side_right'] for photo in done)} with edge and spine exchanged")  # fmt: skip
    right = [photo for photo in done if photo["side_right"]]
    print("\n| finish (flat/bevel) | photos | clean ones | false finds a clean photo | a scratched photo |")
    print("|---|---|---|---|---|")
    for kind in [*sorted({photo["kind"] for photo in right}), "all"]:
        these = [photo for photo in right if kind in (photo["kind"], "all")]
        clean = [len(photo["false"]) for photo in these if not photo["scratches"]]
        other = [len(photo["false"]) for photo in these if photo["scratches"]]
        print(f"| {kind} | {len(these)} | {len(clean)} | {_mean(clean)} | {_mean(other)} |")
    scratches = [one for photo in right for one in photo["scratches"] if one["searched"]]
    print("\n| contrast in sigmas | off the lay by 15° or more, or no lay | 10 to 15° | within 10° |")
    print("|---|---|---|---|")
    for low, high in itertools.pairwise(BANDS):
        cells = []
        for least, most in ((15.0, 91.0), (10.0, 15.0), (0.0, 10.0)):
            these = [
                one["found"] for one in scratches
                if low <= one["contrast"] < high
                and least <= (90.0 if one["off_lay_deg"] is None else one["off_lay_deg"]) < most
            ]  # fmt: skip
            cells.append(f"{sum(these)} of {len(these)}")
        print(f"| {low:g} to {high:g} | " + " | ".join(cells) + " |")
    ends = [error for one in scratches for error in one["ends_mm"]]
    lengths = [abs(error) for one in scratches for error in one["length_error_mm"]]
    if ends:
        for what, values in (("worse end", ends), ("length", lengths)):
            print(f"{what}: median {np.median(values):.2f}, 90 % {np.quantile(values, 0.9):.2f} mm")
    changes = [one for row in rows for one in row["change"]]
    real = [one for one in changes if one["true"] in ("new", "gone", "unchanged")]
    decided = [one for one in real if one["said"] != "cannot tell"]
    good = sum(one["said"] == one["true"] for one in decided)
    feigned = [one for one in changes if one["true"] == "not gone"]
    print(
        f"new, gone, unchanged, of true scratches that were found: {good} of {len(decided)} right, "
        f"{len(real) - len(decided)} can't be told; false finds of the earlier photo told as gone: "
        f"{sum(one['said'] == 'gone' for one in feigned)} of {len(feigned)}"
    )


def _mean(values: list[int]) -> str:
    return f"{np.mean(values):.2f}" if values else "–"


if __name__ == "__main__":
    main()
