"""Random faces for the study of the finish check: finishes, scratches, light, described as plain data.

Each description goes to ``sample_images/render.py`` as it stands: an entry of its ``pairs`` is one blade,
here with one photo of one face, or two of the same face at different times. Ranges are common practice, no
source.

    python tests/accuracy/finish_scenes.py --faces 60 --seed 2 --out build/faces.json
    python sample_images/render.py --faces build/faces.json --out tests/accuracy/faces
"""

import math
import sys
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent.parent / "sample_images")]

import facemap  # noqa: E402
import scenes  # noqa: E402
from blade import Blade  # noqa: E402
from rim import ricasso_end  # noqa: E402
from scratches import clipped  # noqa: E402

FINISHES = ("belt", "satin", "brushed", "tumbled", "blasted", "etched", "belt and satin", "etched and satin")
LIGHTS = ("tube", "window", "lamp", "mixed", "raking", "raking")
PLANS = ("clean", "clean", "clean", "leftover", "sheath", "handling", "sheath and handling", "any", "any")
WIDTH_MM = (0.04, 0.25)
SLOPE = (0.04, 0.5)  # tangent of a groove's walls
LENGTH_MM = (3.0, 40.0)


def study_faces(rng: np.random.Generator, n_faces: int) -> list[dict[str, Any]]:
    """Return faces that cover finishes, lights, lenses, tilts and plans evenly.

    A third is clean; a quarter has a second photo from later, under other light at another place.
    """

    def column(values: Any) -> list[Any]:
        return list(rng.permutation(np.resize(np.array(values, dtype=object), n_faces)))

    columns = zip(
        column(FINISHES), column(LIGHTS), column(scenes.LENSES), column(range(3)), column(PLANS),
        column([True, False, False, False]), column(scenes.GRINDS), strict=True,
    )  # fmt: skip
    return [
        face(rng, f"face_{number:03d}", finish, light, lens, int(tilt), plan, grind=grind, later=bool(later))
        for number, (finish, light, lens, tilt, plan, later, grind) in enumerate(columns)
    ]


def face(
    rng: np.random.Generator,
    name: str,
    finish: str,
    light: str,
    lens: str,
    tilt: int,
    plan: str,
    *,
    grind: str,
    later: bool,
) -> dict[str, Any]:
    """Return one face with one photo, or two when ``later``."""
    thickness = float(rng.choice(list(scenes.THICKNESSES_MM.values())))
    room = scenes.PAPERS["a4"][0]
    made = scenes.blade(rng, grind, thickness, room)
    if rng.random() < 0.4:
        made |= {"scale_mm": 5.0, "pins_mm": [15.0, made["tang_mm"] - 15.0]}
    side = str(rng.choice(["left", "right"]))
    tip = float(rng.choice([0.0, 180.0])) + rng.uniform(-8, 8)
    blurred = bool(rng.random() < 0.08)
    dirt = float(rng.choice([0.1, 0.3, 0.8], p=[0.5, 0.35, 0.15]))
    given = finishes(rng, finish)
    found = scratches(rng, made, side, plan, given)
    photos = []
    for number in range(2 if later else 1):
        kind = light if number == 0 else str(rng.choice(LIGHTS))
        lamps = lamp_set(rng, kind)
        turned = tip if number == 0 else tip + rng.uniform(-12, 12) + float(rng.choice([0, 0, 180]))
        shot = scenes.photo(
            rng, f"{name}_{number + 1}.jpg", made, side, lamps, lens, tilt, turned, blurred, dirt, room
        )
        shot["specks"] = specks(
            rng, made, int(rng.integers(0, 8)) if dirt < 0.5 else int(rng.integers(8, 40))
        )
        photos.append(shot)
    if later:
        _later(rng, photos, found)
    return {
        "name": name,
        "seed": int(rng.integers(1 << 30)),
        "paper": "a4",
        "print_scale": [1.0, 1.0] if rng.random() < 0.5 else [1.002, 0.9985],
        "bars_known": True,
        "grey_print": False,
        "table": {
            "kind": str(rng.choice(["wood", "cloth"])),
            "tone": [float(v) for v in rng.uniform(0.08, 0.3) * np.array([1.2, 1.0, 0.8])],
        },
        "finish": given,
        "scale_tone": [0.22, 0.11, 0.05],
        "mark": _mark(rng, made, side),
        "blade": made,
        "scratches": found,
        "photos": photos,
        "tags": {
            "finish": finish, "light": light, "lens": lens, "plan": plan, "grind": grind,
            "tilt": "{:.0f}-{:.0f}".format(*scenes.TILTS_DEG[tilt]), "blurred": blurred, "dirt": dirt,
            "later": later,
        },
    }  # fmt: skip


def finishes(rng: np.random.Generator, name: str) -> dict[str, Any]:
    """Return the finish of flat and bevel."""

    def one(kind: str, across: bool) -> dict[str, Any]:
        grit = {
            "belt": [120, 220, 320, 400], "satin": [320, 400, 600], "brushed": [320, 400, 600],
            "etched": [220, 400, 600],
        }.get(kind, [400])  # fmt: skip
        lean = rng.normal(0, 5) if across else rng.normal(0, 1.5)
        return {"kind": kind, "grit": int(rng.choice(grit)), "angle_deg": float((90 if across else 0) + lean)}

    first, _, second = name.partition(" and ")
    if name == "belt and satin":  # a rubbed flat over a bevel as ground
        return {"flat": one(second, False), "bevel": one(first, True)}
    flat, bevel = one(first, False), one(second or first, (second or first) == "belt")
    if not second and first != "belt":
        bevel["grit"] = flat["grit"]
    return {"flat": flat, "bevel": bevel}


def scratches(
    rng: np.random.Generator, made: dict[str, Any], side: str, plan: str, finish: dict[str, Any]
) -> list[dict[str, Any]]:
    """Return up to twelve scratches after a plan: one of `PLANS`."""
    if plan == "clean":
        return []
    kinds: list[str] = []
    if plan == "leftover" or (plan == "any" and rng.random() < 0.3):
        kinds += ["leftover"] * int(rng.integers(3, 10))
    if "sheath" in plan or (plan == "any" and rng.random() < 0.6):
        kinds += ["sheath"] * int(rng.integers(1, 5))
    if "handling" in plan or plan == "any":
        kinds += ["handling"] * int(rng.integers(1, 4))
    blade = Blade.from_data(made)
    region = str(rng.choice(["flat", "bevel"])) if blade.grind != "full_flat" else "bevel"
    lay = finish[region]["angle_deg"]
    along = rng.random() < 0.3  # the coarser grit's lines lie along the finer's
    leftover = lay + (rng.normal(0, 3) if along else float(rng.choice([-1, 1])) * rng.uniform(15, 90))
    draw = rng.normal(0, 3)
    coarse = _log(rng, 0.08, 0.2), _log(rng, 0.08, 0.4)
    out: list[dict[str, Any]] = []
    for number, kind in enumerate(kinds[:12]):
        one: dict[str, Any] = {"id": f"s{number + 1}", "kind": kind}
        for _ in range(200):
            if kind == "leftover":
                angle, length, bow = leftover + rng.normal(0, 1.5), _log(rng, 3.0, 18.0), 0.0
            elif kind == "sheath":
                angle, length = draw + rng.normal(0, 1.0), _log(rng, 10.0, 40.0)
                bow = rng.normal(0, 0.012)
            else:
                angle, length = rng.uniform(-90, 90), _log(rng, *LENGTH_MM)
                bow = rng.normal(0, 0.03)
            path = _path(rng, blade, side, angle, length, bow, region if kind == "leftover" else None)
            if path is not None:
                break
        else:
            continue
        width, slope = (_log(rng, *WIDTH_MM), _log(rng, *SLOPE)) if kind != "leftover" else coarse
        vary = rng.lognormal(0, 0.2, 2)
        one |= {
            "path_mm": np.round(path, 4).tolist(),
            "width_mm": float(np.clip(width * vary[0], *WIDTH_MM)),
            "slope": float(np.clip(slope * vary[1], *SLOPE)),
            "taper_mm": float(rng.uniform(0.2, 2.0)),
        }
        if rng.random() < 0.25:
            at = rng.uniform(0.2, 0.7)
            one["gaps"] = [[float(at), float(at + rng.uniform(0.03, 0.12))]]
        if kind == "leftover":
            one["region"] = region
        out.append(one)
    return out


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _path(
    rng: np.random.Generator,
    blade: Blade,
    side: str,
    angle_deg: float,
    length_mm: float,
    bow: float,
    region: str | None,
) -> Any:
    """Return a slightly bowed line that lies wholly on the face (or on one region), or None."""
    x, y = rng.uniform(-blade.heel_mm + 1, -1), rng.uniform(0, blade.width_mm)
    along = np.linspace(-0.5, 0.5, 5) * length_mm
    off = bow * length_mm * (1 - (2 * along / length_mm) ** 2)
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    path = np.column_stack([x + along * cos - off * sin, y + along * sin + off * cos])
    parts = ("flat", "bevel", "plunge") if region is None else (region,)
    kept = clipped(path, lambda p: np.isin(facemap.region_at(blade, side, p), parts), step_mm=0.1)
    if len(kept) < 2 or np.linalg.norm(np.diff(kept, axis=0), axis=1).sum() < 0.98 * length_mm:
        return None
    return path


def specks(rng: np.random.Generator, made: dict[str, Any], count: int) -> list[dict[str, Any]]:
    """Return specks of dirt: no scratches."""
    return [
        {
            "x_mm": float(rng.uniform(-made["heel_mm"], 0)), "y_mm": float(rng.uniform(0, made["width_mm"])),
            "r_mm": _log(rng, 0.05, 0.4), "level": float(rng.uniform(0.03, 0.25)),
            "turn": float(rng.uniform(0, 6)),
        }
        for _ in range(count)
    ]  # fmt: skip


def _mark(rng: np.random.Generator, made: dict[str, Any], side: str) -> dict[str, Any] | None:
    blade = Blade.from_data(made)
    deep = ricasso_end(blade) + blade.heel_mm
    if deep < 9.0 or rng.random() < 0.4:
        return None
    size = float(min(rng.uniform(5, 8), deep - 3))
    return {"face": side, "x_mm": -blade.heel_mm + deep / 2, "y_mm": blade.width_mm * 0.62, "size_mm": size}


def _later(rng: np.random.Generator, photos: list[dict[str, Any]], found: list[dict[str, Any]]) -> None:
    """Say which scratches each of two photos shows: some are gone later, some new."""
    ids = [one["id"] for one in found]
    fate = rng.choice(["new", "gone", "unchanged"], len(ids), p=[0.3, 0.3, 0.4])
    photos[0]["shows"] = [name for name, what in zip(ids, fate, strict=True) if what != "new"]
    photos[1]["shows"] = [name for name, what in zip(ids, fate, strict=True) if what != "gone"]
    if "gone" in fate:  # rubbed again in between, so the lines of the finish are others
        photos[1]["lay_seed"] = int(rng.integers(1 << 30))


def lamp_set(rng: np.random.Generator, kind: str) -> dict[str, Any]:
    """Return the light of a bench; ``raking`` is one low lamp beside the mat in a dim room."""
    if kind != "raking":
        return scenes.lamp_set(rng, kind)
    turn, away = rng.uniform(0, 2 * math.pi), rng.uniform(320, 520)
    low = away * math.tan(math.radians(rng.uniform(14, 32)))
    size = (140.0, 90.0)
    colour = np.array([1.0, 0.86, 0.66]) * 3.0 * (away**2 + low**2) / (size[0] * size[1])
    light = scenes.lamp_set(rng, "lamp")
    light["lamps"] = [{
        "place_mm": [float(away * math.cos(turn)), float(away * math.sin(turn)), float(low)],
        "aim_mm": [0.0, 0.0, 0.0], "size_mm": list(size), "radiance": [float(v) for v in colour],
    }]  # fmt: skip
    return light | {"kind": "raking", "room": [0.6 * v for v in light["room"]]}


def main() -> None:
    """Write the descriptions of a study."""
    scenes.write_study("Describe random faces for the study of the finish check.", "faces", 60, study_faces)


if __name__ == "__main__":
    main()
