"""Things that lie on blade and mat: finger, magnet, tape, scraps over the corners, grinding dust and oil."""

from typing import Any

import numpy as np
from hard_bench import Change, Pair, Rng, drawn, each, on_mat, turn_deg
from scenes import PAPERS


def finger(rng: Rng, made: Pair) -> Pair:
    """Hold the tang down behind the heel with a finger that comes from the handle's side or the spine's."""
    radius = float(rng.uniform(6.5, 9.0))
    shade = rng.uniform(0.6, 1.2)
    tone = [float(shade * c) for c in (0.5, 0.3, 0.22)]

    def change(photo: dict[str, Any]) -> None:
        from_deg = turn_deg(made, photo, float(rng.uniform(110, 200)))
        body = _on_tang(rng, made, photo, 1.25 * radius) | {
            "kind": "finger", "radius_mm": radius, "length_mm": 140.0, "angle_deg": from_deg,
            "rise_deg": float(rng.uniform(15, 30)), "tone": tone,
        }  # fmt: skip
        photo.setdefault("bodies", []).append(body)

    return each(made, change)


def magnet(rng: Rng, made: Pair) -> Pair:
    """Hold the tang down behind the heel with a round magnet."""
    size = drawn(rng, {"radius_mm": (5.0, 10.0), "height_mm": (4.0, 12.0)})
    tone = [float(rng.uniform(0.02, 0.3))] * 3

    def change(photo: dict[str, Any]) -> None:
        body = _on_tang(rng, made, photo, size["radius_mm"]) | size | {"kind": "magnet", "tone": tone}
        photo.setdefault("bodies", []).append(body)

    return each(made, change)


def _on_tang(rng: Rng, made: Pair, photo: dict[str, Any], reach_mm: float) -> dict[str, Any]:
    """Return a place on the tang from which nothing within the reach lies before the heel."""
    blade = made["blade"]
    middle = (blade["tang_low_mm"] + blade["tang_high_mm"]) / 2
    x = -blade["heel_mm"] - reach_mm - float(rng.uniform(1, 8))
    x_mm, y_mm = on_mat(made, photo, x, middle + float(rng.uniform(-3, 3)))
    return {"x_mm": x_mm, "y_mm": y_mm, "z_mm": blade["thickness_mm"]}


def tape(rng: Rng, made: Pair) -> Pair:
    """Put a strip of tape over part of the edge, as is done to spare fingers."""
    blade = made["blade"]
    at = (-rng.uniform(0.35, 0.6) * blade["left"]["plunge_mm"], 0.5)
    size = [float(rng.uniform(15, 30)), 7.0]

    def change(photo: dict[str, Any]) -> None:
        x, y = on_mat(made, photo, *at)
        turn = float(photo["place"]["tip_deg"] + rng.uniform(-12, 12))
        photo.setdefault("cards", []).append(
            {"x_mm": x, "y_mm": y, "z_mm": blade["thickness_mm"] + 0.1, "size_mm": size, "angle_deg": turn,
             "tone": [0.12, 0.2, 0.55]}
        )  # fmt: skip

    return each(made, change)


def half_hidden(rng: Rng, made: Pair) -> Pair:
    """Lay cards over two corners of the mat."""
    width, height = PAPERS[made["paper"]]
    corners = rng.permutation([(i, j) for i in (-1, 1) for j in (-1, 1)])[:2]

    def change(photo: dict[str, Any]) -> None:
        photo["cards"] = [
            {"x_mm": float(i * width / 2 * 0.98), "y_mm": float(j * height / 2 * 1.02),
             "size_mm": [95.0, 50.0], "angle_deg": float(rng.uniform(-10, 10)), "tone": [0.3, 0.25, 0.2]}
            for i, j in corners
        ]  # fmt: skip

    return each(made, change)


def dirty_mat(rng: Rng, made: Pair) -> Pair:
    """Leave dust, smears and oily finger prints of a day's work on the mat, under blade and all."""
    dirt: dict[str, Any] = drawn(rng, {"dust_per_cm2": (15.0, 90.0), "haze": (0.0, 0.12)})
    dirt |= {"smears": int(rng.integers(2, 8)), "prints": int(rng.integers(4, 14))}
    return made | {"mat_dirt": dirt | {"seed": int(rng.integers(1 << 20))}}


def printed(**changes: Any) -> Change:
    """Print the mat in another way."""
    return lambda rng, made: made | changes


def curl(**lifted: tuple[float, float]) -> Change:
    """Let the sheet not lie level."""
    return lambda rng, made: (
        made | {"curl": {k: float(np.round(rng.uniform(*v), 3)) for k, v in lifted.items()}}
    )
