"""Random benches for the accuracy study: pairs of photos of one blade, described as plain data.

Each description goes to ``sample_images/render.py`` as it stands. Ranges are common practice, no source.

    python tests/accuracy/scenes.py --pairs 64 --seed 2 --out build/study.json
    python sample_images/render.py --pairs build/study.json --out tests/accuracy/photos

With ``--twice 30`` each of 30 knives is photographed a second time, the mat turned half round on the bench.
"""

import argparse
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

GRINDS = ("sabre", "full_flat", "scandi", "hollow", "convex")
LIGHTS = ("tube", "window", "lamp", "mixed")
LENSES = ("26 at 2x", "52", "77")
THICKNESSES_MM = {"2.2 mm": 2.2, "1/8 in": 3.175, "5/32 in": 3.96875, "3/16 in": 4.7625}
TILTS_DEG = ((0.0, 5.0), (5.0, 10.0), (10.0, 15.0))
Draw = Callable[[np.random.Generator, int], list[dict[str, Any]]]

PAPERS = {"a4": (228.0, 132.0), "letter": (204.0, 132.0), "a3": (348.0, 228.0)}  # the field
PLUNGE_STEPS_MM = (0.0, 0.0, 0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0)
HEIGHT_STEPS_MM = (0.0, 0.0, 0.1, 0.2, 0.3, 0.5, 0.8)
ANGLE_STEPS_DEG = (0.0, 0.0, 0.5, 1.0, 2.0)
MAT_TURN_DEG = 25.0  # a mat turned half round by hand lies within this of it


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What one pair shall be; what is left at None is drawn."""

    grind: str | None = None
    light: str | None = None
    lens: str | None = None
    thickness: str | None = None
    tilt: int | None = None
    paper: str | None = None
    hand_finished: bool | None = None


def study_scenes(rng: np.random.Generator, n_pairs: int) -> list[dict[str, Any]]:
    """Return pairs that cover every stratum evenly.

    Parameters
    ----------
    rng : numpy.random.Generator
        Everything random comes from it.
    n_pairs : int
        How many.

    Returns
    -------
    list of dict
        One description a pair, for ``sample_images/render.py``.
    """

    def column(values: Any) -> list[Any]:
        """Every value equally often, in random order."""
        return list(rng.permutation(np.resize(np.array(values, dtype=object), n_pairs)))

    columns = zip(
        column(GRINDS), column(LIGHTS), column(LENSES), column(list(THICKNESSES_MM)), column(range(3)),
        column(["a4", "a4", "letter"]), column([False, False, True]), strict=True,
    )  # fmt: skip
    pairs = []
    for number, (grind, light, lens, thickness, tilt, paper, hand) in enumerate(columns):
        wish = Wish(
            grind=grind, light=light, lens=lens, thickness=thickness, tilt=int(tilt), paper=paper,
            hand_finished=bool(hand),
        )  # fmt: skip
        pairs.append(pair(rng, f"study_{number:03d}", wish))
    return pairs


def pair(rng: np.random.Generator, name: str, wish: Wish, **changes: Any) -> dict[str, Any]:
    """Return one pair; ``changes`` replaces entries of the result, ``blade`` those of the blade."""
    grind = wish.grind or str(rng.choice(GRINDS))
    thickness = wish.thickness or str(rng.choice(list(THICKNESSES_MM)))
    paper = wish.paper or "a4"
    hand = bool(rng.random() < 0.3) if wish.hand_finished is None else wish.hand_finished
    made = blade(rng, grind, THICKNESSES_MM[thickness], PAPERS[paper][0])
    made |= changes.pop("blade", {})
    light = wish.light or str(rng.choice(LIGHTS))
    lens = wish.lens or str(rng.choice(LENSES))
    tilt = int(rng.integers(3)) if wish.tilt is None else wish.tilt
    blurred = bool(rng.random() < 0.15)
    dirt = float(rng.choice([0.2, 0.4, 1.0], p=[0.5, 0.3, 0.2]))
    lamps = lamp_set(rng, light)
    photos, turned = _both_faces(rng, name, made, lamps, lens, tilt, blurred, dirt, PAPERS[paper][0])
    scale = [1 + rng.choice([-1, 1]) * rng.uniform(0.001, 0.003) for _ in range(2)]
    return {
        "name": name,
        "seed": int(rng.integers(1 << 30)),
        "paper": paper,
        "print_scale": scale,
        "bars_known": bool(rng.random() < 0.5),
        "grey_print": False,
        "table": {
            "kind": str(rng.choice(["wood", "cloth"])),
            "tone": [float(v) for v in rng.uniform(0.08, 0.3) * np.array([1.2, 1.0, 0.8])],
        },
        "finish": {
            "flat_grit": int(rng.choice([120, 220, 320, 400])),
            "bevel_grit": int(rng.choice([120, 220, 320])) if not hand else int(rng.choice([320, 400, 600])),
            "hand_finished": hand,
        },
        "scale_tone": [0.22, 0.11, 0.05],
        "mark": None,
        "blade": made,
        "photos": photos,
        "tags": {
            "grind": grind,
            "thickness": thickness,
            "light": light,
            "lens": lens,
            "tilt": "{:.0f}-{:.0f}".format(*TILTS_DEG[tilt]),
            "paper": paper,
            "lay": "hand finished" if hand else "as ground",
            "blurred": blurred,
            "dirt": dirt,
            "tip": "same way" if turned else "other way",
        },
    } | changes  # fmt: skip


def again(rng: np.random.Generator, made: dict[str, Any]) -> dict[str, Any]:
    """Return a second pair of the same knife on the same sheet, the mat turned half round on the bench.

    The lamps then shine from the other side, give or take what a hand turns it by. Blade, finish and print
    stay; how the blade lies, the phone's place and what its camera does are drawn anew, with the lens and
    within the tilt of the first pair. Its tag ``again`` names that one.
    """
    name = f"{made['name']}_again"
    tags = made["tags"]
    tilt = next(n for n, (low, high) in enumerate(TILTS_DEG) if tags["tilt"] == f"{low:.0f}-{high:.0f}")
    lamps = turned_light(
        made["photos"][0]["light"], math.pi + rng.uniform(-1, 1) * math.radians(MAT_TURN_DEG)
    )
    photos, turned = _both_faces(
        rng, name, made["blade"], lamps, tags["lens"], tilt, tags["blurred"], tags["dirt"],
        PAPERS[made["paper"]][0],
    )  # fmt: skip
    tags = tags | {"tip": "same way" if turned else "other way", "again": made["name"]}
    return made | {"name": name, "photos": photos, "tags": tags}


def turned_light(light: dict[str, Any], angle_rad: float) -> dict[str, Any]:
    """Return a bench's lamps turned about the mat's middle; the room's own light stays."""
    turn = np.array([
        [math.cos(angle_rad), -math.sin(angle_rad), 0.0],
        [math.sin(angle_rad), math.cos(angle_rad), 0.0],
        [0.0, 0.0, 1.0],
    ])  # fmt: skip
    lamps = [
        lamp | {key: [float(v) for v in turn @ lamp[key]] for key in ("place_mm", "aim_mm")}
        for lamp in light["lamps"]
    ]
    return light | {"lamps": lamps}


def _both_faces(
    rng: np.random.Generator,
    name: str,
    made: dict[str, Any],
    lamps: dict[str, Any],
    lens: str,
    tilt: int,
    blurred: bool,
    dirt: float,
    room_mm: float,
) -> tuple[list[dict[str, Any]], bool]:
    """Return one photo of each face, and whether the tip points the same way in both."""
    tip = float(rng.choice([0.0, 180.0])) + rng.uniform(-8, 8)
    turned = rng.random() < 0.8  # about the long axis, so that the tip points the same way
    sides = [str(side) for side in rng.permutation(["left", "right"])]
    tips = [tip, tip + rng.normal(0, 1.5) + (0 if turned else 180)]
    photos = [
        photo(
            rng,
            f"{name}_{number + 1}.jpg",
            made,
            side,
            lamps,
            lens,
            tilt,
            tips[number],
            blurred,
            dirt,
            room_mm,
        )
        for number, side in enumerate(sides)
    ]
    return photos, bool(turned)


def blade(rng: np.random.Generator, grind: str, thickness_mm: float, room_mm: float) -> dict[str, Any]:
    """Return a blade's description whose right face differs from its left by a drawn amount."""
    kitchen = grind == "full_flat" and rng.random() < 0.7
    if kitchen:
        length, width = rng.uniform(100, 150), rng.uniform(24, 34)
        tip, belly, drop = rng.uniform(3, 6), rng.uniform(55, 85), rng.uniform(40, 70)
        ricasso, choil, low = rng.uniform(4, 9), 0.0, width * rng.uniform(0.35, 0.5)
    else:
        length, width = rng.uniform(70, 125), rng.uniform(21, 32)
        tip, belly, drop = width * rng.uniform(0.35, 0.6), rng.uniform(28, 48), rng.uniform(30, 55)
        ricasso, choil, low = rng.uniform(11, 20), float(rng.choice([0.0, 2.5, 3.5])), 2.0
    angle = rng.uniform(-6, 18)
    share = {
        "scandi": rng.uniform(0.28, 0.42), "sabre": rng.uniform(0.5, 0.72), "hollow": rng.uniform(0.5, 0.7),
        "convex": rng.uniform(0.5, 0.75), "full_flat": 1.0,
    }  # fmt: skip
    height = share[grind] * width
    if grind == "scandi":
        height = min(height, thickness_mm * 3.2)
    radius = float(rng.uniform(0.8, 5.0))
    shared = {
        "plunge_mm": length, "angle_deg": angle, "height_mm": height, "radius_mm": radius,
        "bow_mm": float(rng.uniform(0, 0.1)), "taper_mm": float(rng.uniform(-1.0, 1.5)),
        "wave_mm": float(rng.uniform(0, 0.08)), "wave_period_mm": float(rng.uniform(25, 60)),
    }  # fmt: skip
    other = dict(shared)
    other["plunge_mm"] += _step(rng, PLUNGE_STEPS_MM)
    other["height_mm"] += _step(rng, HEIGHT_STEPS_MM) if grind != "full_flat" else 0.0
    other["angle_deg"] += _step(rng, ANGLE_STEPS_DEG)
    other["radius_mm"] = float(np.clip(radius * rng.uniform(0.85, 1.15), 0.8, 5.0))
    shared["wave_phase"], other["wave_phase"] = (float(v) for v in rng.uniform(0, 2 * math.pi, 2))
    heel = length + ricasso + 1.5
    return {
        "grind": grind, "width_mm": width, "thickness_mm": thickness_mm,
        "edge_thickness_mm": float(rng.uniform(0.4, 0.6)),
        "belly_mm": belly, "belly_power": float(rng.uniform(1.9, 2.5)), "tip_mm": tip,
        "drop_mm": drop, "drop_power": float(rng.uniform(1.5, 2.2)), "heel_mm": heel, "choil_mm": choil,
        "tang_mm": float(min(rng.uniform(70, 105), room_mm * 1.1 - heel)),
        "tang_low_mm": low, "tang_high_mm": width - float(rng.uniform(0.5, 2.5)),
        "scale_mm": 0.0, "pins_mm": [], "left": shared, "right": other,
    }  # fmt: skip


def _step(rng: np.random.Generator, steps: tuple[float, ...]) -> float:
    return float(rng.choice([-1, 1]) * rng.choice(steps))


def photo(
    rng: np.random.Generator,
    file: str,
    made: dict[str, Any],
    side: str,
    light: dict[str, Any],
    lens: str,
    tilt: int,
    tip_deg: float,
    blurred: bool,
    dirt: float,
    room_mm: float,
) -> dict[str, Any]:
    """Return one photo of the face ``side``."""
    f35, zoom, focal = {"26 at 2x": (52.0, 2, 6.8), "52": (52.0, 1, 9.0), "77": (77.0, 1, 9.0)}[lens]
    upright = rng.random() < 0.9
    roll = float(rng.choice([0.0, 180.0]) + rng.uniform(-6, 6)) if upright else 90.0 + rng.uniform(-3, 3)
    size = [4000, 3000] if upright else [3000, 4000]
    tilt_deg = rng.uniform(*TILTS_DEG[tilt])
    # the blade's middle lies heelwards of the field's when its tang is long
    back = made["tang_mm"] / 2 - 8.0
    forth = np.radians(tip_deg)
    # the tip must be on the field; where the handle ends doesn't matter
    ahead = min(back, 60.0, room_mm / 2 - 12.0 - made["heel_mm"] / 2)
    place = np.array([math.cos(forth), math.sin(forth)]) * ahead + rng.uniform(-4, 4, 2)
    return {
        "file": file,
        "face": side,
        "seed": int(rng.integers(1, 1 << 20)),
        "place": {"x_mm": float(place[0]), "y_mm": float(place[1]), "tip_deg": float(tip_deg)},
        "light": light,
        "dirt": dirt,
        "view": {
            "size_px": size, "f35_mm": f35, "focal_error": float(rng.normal(0, 0.008)),
            "centre_off_px": [float(v) for v in rng.normal(0, 12, 2)],
            "distortion": distortion(rng, lens),
            "tilt_deg": float(tilt_deg), "azimuth_deg": float(rng.uniform(0, 360)), "roll_deg": roll,
            "margin": float(rng.uniform(0.008, 0.03)), "off_mm": [float(v) for v in rng.uniform(-4, 4, 2)],
        },
        "blur": {
            "sigma_px": float(rng.uniform(0.45, 0.65) if not blurred else rng.uniform(0.9, 1.3)),
            "motion_px": float(0.0 if not blurred else rng.uniform(1, 3)),
            "motion_deg": float(rng.uniform(0, 180)),
        },
        "body_off_mm": [float(rng.choice([-1, 1]) * 58.0), float(rng.choice([-1, 1]) * 22.0)],
        "phone": {
            "model": "Phone 2", "orientation": int(rng.choice([1, 3]) if upright else rng.choice([6, 8])),
            "taken": f"2026:03:{rng.integers(1, 28):02d} {rng.integers(8, 18):02d}:{rng.integers(60):02d}:00",
            "exposure_s": 0.01, "iso": int(rng.choice([64, 100, 200])),
            "focal_mm": focal, "f35_mm": f35, "zoom": zoom,
            "noise": float(rng.uniform(0.003, 0.008)), "balance_strength": float(rng.uniform(0.6, 1.0)),
            "vignette": float(rng.uniform(0.02, 0.15)), "contrast": float(rng.uniform(0.1, 0.35)),
            "sharpen": float(rng.uniform(0.3, 0.9)), "sharpen_px": float(rng.uniform(0.9, 1.4)),
            "exposure": float(rng.uniform(0.85, 1.15)), "quality": int(rng.integers(80, 87)),
        },
    }  # fmt: skip


def distortion(rng: np.random.Generator, lens: str) -> list[float]:
    """Return what is left of a phone lens's distortion after the phone's own correction."""
    if lens == "26 at 2x":  # the middle of the wide lens
        return [
            float(rng.normal(0, 0.03)),
            float(rng.normal(0, 0.08)),
            *(float(v) for v in rng.normal(0, 3e-4, 2)),
            0.0,
        ]
    return [
        float(rng.normal(0, 0.04)),
        float(rng.normal(0, 0.2)),
        *(float(v) for v in rng.normal(0, 3e-4, 2)),
        0.0,
    ]


def lamp_set(rng: np.random.Generator, kind: str) -> dict[str, Any]:
    """Return the light of a bench: lamps as glowing rectangles, and the room's own dim light."""
    lamps: list[dict[str, Any]] = []

    def lamp(place: Any, size: Any, colour: Any, power: float, aim: Any = (0.0, 0.0, 0.0)) -> None:
        place = [float(v) for v in place]
        away = float(np.linalg.norm(np.array(place) - np.array(aim)))
        radiance = power * away**2 / (size[0] * size[1]) * np.array(colour)
        lamps.append(
            {
                "place_mm": place,
                "aim_mm": [float(v) for v in aim],
                "size_mm": [float(v) for v in size],
                "radiance": [float(v) for v in radiance],
            }
        )

    warm, cool, day = (1.0, 0.8, 0.55), (0.85, 1.0, 0.95), (0.8, 0.92, 1.1)
    turn = rng.uniform(0, 2 * math.pi)
    if kind in ("tube", "mixed"):
        for n in range(int(rng.integers(1, 3))):
            off = rng.uniform(250, 650) * (1 if n == 0 else -1)
            along = rng.uniform(-300, 300)
            lamp((along, off, rng.uniform(1000, 1500)), (1200, 60), cool, 2.0, aim=(along, off * 0.4, 0))
    if kind in ("window", "mixed"):
        at = rng.uniform(900, 1500)
        lamp(
            (at * math.cos(turn), at * math.sin(turn), rng.uniform(500, 1000)),
            (900, 1100),
            day,
            3.0 if kind == "window" else 1.6,
        )
    if kind == "lamp":
        at = rng.uniform(250, 550)
        lamp((at * math.cos(turn), at * math.sin(turn), rng.uniform(450, 750)), (150, 150), warm, 2.6)
    room = {"tube": 0.5, "window": 0.4, "lamp": 0.45, "mixed": 0.4}[kind] * rng.uniform(0.7, 1.3)
    tone = np.array(
        {"tube": (1, 1, 1), "window": (0.95, 1, 1.05), "lamp": (1, 0.95, 0.85), "mixed": (1, 0.95, 0.9)}[kind]
    )
    return {
        "kind": kind,
        "lamps": lamps,
        "room": [float(v) for v in room * tone],
        "seed": int(rng.integers(1 << 20)),
    }


def twice(rng: np.random.Generator, n_knives: int) -> list[dict[str, Any]]:
    """Return the pairs of `study_scenes`, each followed by a second one of the same knife; see `again`."""
    first = study_scenes(rng, n_knives)
    return [made for one in first for made in (one, again(rng, one))]


def main() -> None:
    """Write the descriptions of a study."""
    write_study(
        "Describe random pairs for the accuracy study.", "pairs", 64, study_scenes, instead={"twice": twice}
    )


def write_study(
    about: str, what: str, count: int, drawn: Draw, *, instead: dict[str, Draw] | None = None
) -> None:
    """Read the command line and write so many descriptions, drawn with the seed given.

    ``what`` names the option for how many; each name of ``instead`` is another such option, for other ones.
    """
    parser = argparse.ArgumentParser(description=about)
    which = parser.add_mutually_exclusive_group()
    which.add_argument(f"--{what}", type=int, default=count)
    draws = {what: drawn, **(instead or {})}
    for name in instead or {}:
        which.add_argument(f"--{name}", type=int, help="describe so many of these instead")
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    args.out.parent.mkdir(parents=True, exist_ok=True)
    chosen = next((name for name in instead or {} if getattr(args, name) is not None), what)
    found = draws[chosen](np.random.default_rng(args.seed), getattr(args, chosen))
    args.out.write_text(json.dumps({"pairs": found}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
