"""Benches that are hard on a photo, for the accuracy study: one trouble a pair, at a size that shops have.

Each description goes to ``sample_images/render.py`` as it stands. Ranges are common practice, no source.

    python tests/accuracy/hard_scenes.py --pairs 156 --seed 5 --out build/hard.json
    python sample_images/render.py --pairs build/hard.json --out tests/accuracy/hard_photos
    python tests/accuracy/study.py tests/accuracy/hard_photos

Not drawn: recurved edges, swaged points, tapered tangs (the renderer has no such shapes), a dirty mat, a
phone's reflection aimed at the shoulder. Tags of tilt, lens and light are those drawn before the trouble is
put in.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from scenes import PAPERS, Wish, pair, study_scenes, write_study

Rng = np.random.Generator
Pair = dict[str, Any]

_LINE = {"kind": "belt", "grit": 220, "angle_deg": 90.0}
_FLAT = {"kind": "belt", "grit": 220, "angle_deg": 0.0}


def _each(made: Pair, change: Callable[[dict[str, Any]], None]) -> Pair:
    for photo in made["photos"]:
        change(photo)
    return made


def _view(**values: Any) -> Callable[[Rng, Pair], Pair]:
    """Set entries of each photo's view, a range standing for a draw."""

    def applied(rng: Rng, made: Pair) -> Pair:
        drawn = {key: float(rng.uniform(*v)) if isinstance(v, tuple) else v for key, v in values.items()}
        return _each(made, lambda photo: photo["view"].update(drawn))

    return applied


def _far_or_near(rng: Rng, made: Pair) -> Pair:
    """Go from 20 to 80 cm: by a wide and a long lens, since the mat fills the picture."""
    near = rng.random() < 0.5
    f35 = float(rng.uniform(24, 28)) if near else float(rng.uniform(85, 105))

    def change(photo: dict[str, Any]) -> None:
        photo["view"]["f35_mm"] = f35
        photo["phone"].update(f35_mm=f35, zoom=1)

    return _each(made, change)


def _megapixels(rng: Rng, made: Pair) -> Pair:
    size = {0: [2592, 1944], 1: [2592, 1944], 2: [3264, 2448], 3: [8064, 6048]}[int(rng.integers(4))]

    def change(photo: dict[str, Any]) -> None:
        photo["view"]["size_px"] = size
        photo["phone"]["orientation"] = 1
        photo["view"]["roll_deg"] = float(rng.uniform(-6, 6))
        if size[0] > 4000:
            photo["blur"]["sigma_px"] = 1.3

    return _each(made, change)


def _moustache(rng: Rng, made: Pair) -> Pair:
    """Use a wide lens whose distortion the phone hasn't taken out, or a tele with a little of it."""
    wide = rng.random() < 0.6
    f35 = float(rng.uniform(24, 28)) if wide else 77.0
    size = 1.0 if wide else 6.0
    bent = [float(-0.06 * size), float(0.12 * size**2), 2e-4, -2e-4, float(-0.09 * size**3)]

    def change(photo: dict[str, Any]) -> None:
        photo["view"].update(f35_mm=f35, distortion=bent)
        photo["phone"].update(f35_mm=f35, zoom=1)

    return _each(made, change)


def _blur(low: float, high: float, motion: tuple[float, float] = (0.0, 0.0)) -> Callable[[Rng, Pair], Pair]:
    def applied(rng: Rng, made: Pair) -> Pair:
        return _each(
            made,
            lambda photo: photo["blur"].update(
                sigma_px=float(rng.uniform(low, high)), motion_px=float(rng.uniform(*motion))
            ),
        )

    return applied


def _dim(rng: Rng, made: Pair) -> Pair:
    return _each(
        made,
        lambda photo: photo["phone"].update(
            noise=float(rng.uniform(0.02, 0.04)), iso=1600, exposure=float(rng.uniform(0.5, 0.8))
        ),
    )


def _overexposed(rng: Rng, made: Pair) -> Pair:
    return _each(made, lambda photo: photo["phone"].update(exposure=float(rng.uniform(1.7, 2.4))))


def _hard_lamp(rng: Rng, made: Pair) -> Pair:
    """Leave one small lamp, and hardly any room light."""
    turn, at = rng.uniform(0, 2 * math.pi), rng.uniform(250, 450)
    place = [at * math.cos(turn), at * math.sin(turn), float(rng.uniform(350, 600))]
    away = float(np.linalg.norm(place))
    radiance = [2.6 * away**2 / 40.0**2 * c for c in (1.0, 0.85, 0.62)]

    def change(photo: dict[str, Any]) -> None:
        light = photo["light"]
        light["lamps"] = [{"place_mm": place, "aim_mm": [0, 0, 0], "size_mm": [40, 40], "radiance": radiance}]
        light["room"] = [0.12, 0.12, 0.11]

    return _each(made, change)


def _on_mat(blade: dict[str, Any], photo: dict[str, Any], x: float, y: float) -> tuple[float, float]:
    """Return where on the mat a place of the blade lies, as ``knife.world`` puts it."""
    left, place = photo["face"] == "left", photo["place"]
    x, y = x + blade["heel_mm"] / 2, y - blade["width_mm"] / 2
    angle = math.radians(place["tip_deg"] + (180 if left else 0))
    x = -x if left else x
    return (
        math.cos(angle) * x - math.sin(angle) * y + place["x_mm"],
        math.sin(angle) * x + math.cos(angle) * y + place["y_mm"],
    )


def _card(
    rng: Rng, made: Pair, at_mm: tuple[float, float], size_mm: tuple[float, float], **more: Any
) -> Pair:
    """Lay a card at a place told in the blade's frame, x from the tip, y from the edge."""
    blade = made["blade"]

    def change(photo: dict[str, Any]) -> None:
        x, y = _on_mat(blade, photo, *at_mm)
        turn = float(photo["place"]["tip_deg"] + rng.uniform(-12, 12))
        card = {"x_mm": x, "y_mm": y, "size_mm": list(size_mm), "angle_deg": turn, **more}
        photo.setdefault("cards", []).append(card)

    return _each(made, change)


def _shadow(rng: Rng, made: Pair) -> Pair:
    """Let a rod between lamp and blade throw its shadow across the edge."""
    _hard_lamp(rng, made)
    blade = made["blade"]
    x, y = -rng.uniform(0.3, 0.7) * blade["left"]["plunge_mm"], 0.0
    lamp = np.array(made["photos"][0]["light"]["lamps"][0]["place_mm"])

    def change(photo: dict[str, Any]) -> None:
        at = np.array([*_on_mat(blade, photo, x, y), 0.0])
        rod = at + (lamp - at) * 0.45
        photo["cards"] = [
            {"x_mm": float(rod[0]), "y_mm": float(rod[1]), "z_mm": float(rod[2]), "size_mm": [8, 60],
             "angle_deg": float(rng.uniform(0, 180)), "tone": [0.1, 0.1, 0.1]}
        ]  # fmt: skip

    return _each(made, change)


def _on_tang(tone: list[float]) -> Callable[[Rng, Pair], Pair]:
    """Hold the tang down behind the plunge, with a finger or a magnet."""

    def applied(rng: Rng, made: Pair) -> Pair:
        blade = made["blade"]
        at = (-blade["heel_mm"] - 12.0, blade["width_mm"] * 0.5)
        return _card(rng, made, at, (16.0, 40.0), z_mm=blade["thickness_mm"] + 3.0, tone=tone)

    return applied


def _tape(rng: Rng, made: Pair) -> Pair:
    """Put a strip of tape over part of the edge, as is done to spare fingers."""
    blade = made["blade"]
    at = (-rng.uniform(0.35, 0.6) * blade["left"]["plunge_mm"], 0.5)
    return _card(
        rng, made, at, (float(rng.uniform(15, 30)), 7.0), z_mm=blade["thickness_mm"] + 0.1,
        tone=[0.12, 0.2, 0.55],
    )  # fmt: skip


def _half_hidden(rng: Rng, made: Pair) -> Pair:
    """Lay cards over two corners of the mat."""
    width, height = PAPERS[made["paper"]]
    corners = rng.permutation([(i, j) for i in (-1, 1) for j in (-1, 1)])[:2]

    def change(photo: dict[str, Any]) -> None:
        photo["cards"] = [
            {"x_mm": float(i * width / 2 * 0.98), "y_mm": float(j * height / 2 * 1.02),
             "size_mm": [95.0, 50.0], "angle_deg": float(rng.uniform(-10, 10)), "tone": [0.3, 0.25, 0.2]}
            for i, j in corners
        ]  # fmt: skip

    return _each(made, change)


def _finish(flat: dict[str, Any], bevel: dict[str, Any]) -> Callable[[Rng, Pair], Pair]:
    return lambda rng, made: made | {"finish": {"flat": flat, "bevel": bevel}}


def _tint(**tint: Any) -> Callable[[Rng, Pair], Pair]:
    def applied(rng: Rng, made: Pair) -> Pair:
        drawn = {k: float(rng.uniform(*v)) if isinstance(v, tuple) else v for k, v in tint.items()}
        tints = [drawn | {"seed": int(rng.integers(1 << 20))}]
        return made | {"finish": {"flat": _FLAT, "bevel": _LINE}, "tints": tints}

    return applied


def _one(kind: str, grit: int = 400, bevel_deg: float = 90.0) -> Callable[[Rng, Pair], Pair]:
    return _finish(
        {"kind": kind, "grit": grit, "angle_deg": 0.0}, {"kind": kind, "grit": grit, "angle_deg": bevel_deg}
    )


def _print(**changes: Any) -> Callable[[Rng, Pair], Pair]:
    return lambda rng, made: made | changes


def _curl(**curl: tuple[float, float]) -> Callable[[Rng, Pair], Pair]:
    return lambda rng, made: made | {"curl": {k: float(rng.uniform(*v)) for k, v in curl.items()}}


def _shape(change: Callable[[Rng, dict[str, Any]], dict[str, Any]]) -> Callable[[Rng, Pair], Pair]:
    return lambda rng, made: made | {"blade": made["blade"] | change(rng, made["blade"])}


def _plain(rng: Rng, made: Pair) -> Pair:
    return made


# name, what is drawn first, and what is then changed
STRATA: tuple[tuple[str, Wish, Callable[[Rng, Pair], Pair]], ...] = (
    ("tilt 15-20", Wish(), _view(tilt_deg=(15.0, 20.0))),
    ("tilt 20-25", Wish(), _view(tilt_deg=(20.0, 25.0))),
    ("near or far", Wish(), _far_or_near),
    ("5 to 48 MP", Wish(), _megapixels),
    ("moustache lens", Wish(), _moustache),
    ("focus blur", Wish(), _blur(1.5, 3.0)),
    ("motion blur", Wish(), _blur(0.6, 0.8, (4.0, 9.0))),
    ("dim and noisy", Wish(), _dim),
    ("mixed light", Wish(light="mixed"), _plain),
    ("one hard lamp", Wish(), _hard_lamp),
    ("window light", Wish(light="window"), _plain),
    ("blown highlights", Wish(), _overexposed),
    ("shadow on the edge", Wish(), _shadow),
    ("oil film", Wish(), _tint(kind="oil", amount=(0.15, 0.35), cloud_mm=(1.0, 4.0))),
    ("finger on the tang", Wish(), _on_tang([0.55, 0.35, 0.25])),
    ("magnet on the tang", Wish(), _on_tang([0.05, 0.05, 0.05])),
    ("tape on the edge", Wish(), _tape),
    ("layout fluid", Wish(), _tint(kind="fluid")),
    ("temper colours", Wish(), _tint(kind="heat", reach_mm=(6.0, 14.0))),
    ("black oxide", Wish(), _one("oxide")),
    ("dark etched", Wish(), _one("etched")),
    ("mirror polish", Wish(), _one("mirror")),
    ("tumbled", Wish(), _one("tumbled")),
    ("satin, one lay", Wish(), _one("satin", bevel_deg=0.0)),
    ("mat creased", Wish(), _curl(crease_mm=(0.5, 1.5), crease_at_mm=(-125.0, -105.0))),
    ("mat bent", Wish(), _curl(ends_mm=(1.0, 3.0))),
    ("mat printed grey", Wish(), _print(grey_print=True)),
    ("printed at 96 %, measured", Wish(), _print(print_scale=[0.96, 0.96], bars_known=True)),
    ("printed at 96 %, not measured", Wish(), _print(print_scale=[0.96, 0.96], bars_known=False)),
    ("mat half hidden", Wish(), _half_hidden),
    ("tall chef's blade", Wish(grind="full_flat", paper="a3"), _shape(
        lambda rng, blade: {"width_mm": float(rng.uniform(44, 50)), "tip_mm": 4.0, "tang_low_mm": 20.0,
                            "tang_high_mm": 40.0, "scale_mm": 0.0})),
    ("50 mm blade", Wish(grind="sabre"), _shape(
        lambda rng, blade: {"width_mm": 17.0, "heel_mm": 62.0, "belly_mm": 22.0, "drop_mm": 20.0,
                            "tip_mm": 8.0, "tang_mm": 60.0, "tang_low_mm": 1.5, "tang_high_mm": 15.5,
                            "choil_mm": 0.0,
                            "left": blade["left"] | {"plunge_mm": 50.0, "height_mm": 10.0},
                            "right": blade["right"] | {"plunge_mm": 50.0 + float(rng.choice([0.0, 0.3, 0.6])),
                                                       "height_mm": 10.0 + float(rng.choice([0.0, 0.3]))}})),
    ("curved spine", Wish(), _shape(
        lambda rng, blade: {"drop_mm": blade["heel_mm"] + 20.0, "drop_power": 2.0})),
    ("clipped point", Wish(), _shape(
        lambda rng, blade: {"drop_mm": float(rng.uniform(26, 34)), "drop_power": 1.05})),
)  # fmt: skip


def hard_scenes(rng: Rng, n_pairs: int) -> list[Pair]:
    """Return pairs that go through `STRATA` in turn."""
    out = []
    for number in range(n_pairs):
        name, wish, change = STRATA[number % len(STRATA)]
        made = change(rng, pair(rng, f"hard_{number:03d}", wish))
        made["tags"] = made["tags"] | {"stratum": name}
        if rng.random() < 0.5 and name not in ("5 to 48 MP", "near or far"):  # as many phones store 8 MP
            for photo in made["photos"]:
                wide = photo["view"]["size_px"][0] >= photo["view"]["size_px"][1]
                photo["view"]["size_px"] = [3264, 2448] if wide else [2448, 3264]
        out.append(made)
    return out


def repeats(rng: Rng, n_pairs: int) -> list[Pair]:
    """Return pairs of photos of one blade, laid down and shot anew each time, under one bench's light."""
    first = study_scenes(rng, 1)[0]
    wish = Wish(
        grind=first["blade"]["grind"],
        light=first["tags"]["light"],
        lens="52",
        thickness=first["tags"]["thickness"],
    )
    out = []
    for number in range(n_pairs):
        made = pair(rng, f"repeat_{number:03d}", wish)
        kept = {
            key: first[key]
            for key in ("seed", "paper", "print_scale", "bars_known", "finish", "blade", "table")
        }
        out.append(made | kept | {"tags": made["tags"] | {"stratum": "again", "lay": first["tags"]["lay"]}})
    return out


if __name__ == "__main__":
    write_study("Describe hard pairs for the accuracy study.", "pairs", 156, hard_scenes)
