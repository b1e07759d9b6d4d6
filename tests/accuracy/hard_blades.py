"""Blades that are hard on the measurement: shapes beyond the plain ones, and finishes without an easy lay."""

from typing import Any

from hard_bench import Change, Drawn, Pair, Rng, drawn

LINE = {"kind": "belt", "grit": 220, "angle_deg": 90.0}
FLAT = {"kind": "belt", "grit": 220, "angle_deg": 0.0}


def shape(change: Any) -> Change:
    """Change entries of the blade by a function of draws and blade."""
    return lambda rng, made: made | {"blade": made["blade"] | change(rng, made["blade"])}


def tall(rng: Rng, blade: dict[str, Any]) -> dict[str, Any]:
    """Return a chef's blade of great height."""
    width = float(rng.uniform(44, 50))
    return {"width_mm": width, "tip_mm": 4.0, "tang_low_mm": 20.0, "tang_high_mm": 40.0, "scale_mm": 0.0}


def short(rng: Rng, blade: dict[str, Any]) -> dict[str, Any]:
    """Return a blade whose plunge is 50 mm from the tip."""
    right = {
        "plunge_mm": 50.0 + float(rng.choice([0.0, 0.3, 0.6])),
        "height_mm": 10.0 + float(rng.choice([0.0, 0.3])),
    }
    return {
        "width_mm": 17.0, "heel_mm": 62.0, "belly_mm": 22.0, "drop_mm": 20.0, "tip_mm": 8.0, "tang_mm": 60.0,
        "tang_low_mm": 1.5, "tang_high_mm": 15.5, "choil_mm": 0.0,
        "left": blade["left"] | {"plunge_mm": 50.0, "height_mm": 10.0}, "right": blade["right"] | right,
    }  # fmt: skip


def curved_spine(rng: Rng, blade: dict[str, Any]) -> dict[str, Any]:
    """Return a spine that bends over its whole length."""
    return {"drop_mm": blade["heel_mm"] + 20.0, "drop_power": 2.0}


def clipped(rng: Rng, blade: dict[str, Any]) -> dict[str, Any]:
    """Return a spine that falls nearly straight to the tip."""
    return {"drop_mm": float(rng.uniform(26, 34)), "drop_power": 1.05}


def recurved(rng: Rng, blade: dict[str, Any]) -> dict[str, Any]:
    """Return an edge that sways up between plunge and belly, by 1 to 2.5 mm."""
    begin = min(blade[side]["plunge_mm"] for side in ("left", "right")) - 9.0  # beyond the plunge's radius
    return {
        "recurve_mm": float(rng.uniform(1.0, 2.5)), "recurve_from_mm": begin,
        "recurve_to_mm": float(rng.uniform(0.4, 0.6)) * blade["belly_mm"],
    }  # fmt: skip


def with_flat(rng: Rng, made: Pair) -> Pair:
    """Make a sabre ground blade sabre, hollow or convex ground: whichever, a broad flat is left."""
    return made | {"blade": made["blade"] | {"grind": str(rng.choice(["sabre", "hollow", "convex"]))}}


def swaged(rng: Rng, made: Pair) -> Pair:
    """Grind a second bevel at the spine over the last half of a blade with a flat."""
    made = with_flat(rng, made)
    blade = made["blade"]
    plunge = min(blade[side]["plunge_mm"] for side in ("left", "right"))
    swage = drawn(rng, {
        "length_mm": (0.4 * plunge, 0.65 * plunge), "height_mm": (3.0, 6.0),
        "rest_mm": (0.35 * blade["thickness_mm"], 0.55 * blade["thickness_mm"]),
    })  # fmt: skip
    return made | {"blade": blade | {"swage": swage}}


def tapered_tang(rng: Rng, blade: dict[str, Any]) -> dict[str, Any]:
    """Return a tang that is ground thinner towards its end, so that it hovers over the mat."""
    return {"tang_end_mm": float(rng.uniform(0.25, 0.6)) * blade["thickness_mm"]}


def finish(flat: dict[str, Any], bevel: dict[str, Any]) -> Change:
    """Finish flat and bevel each in its way."""
    return lambda rng, made: made | {"finish": {"flat": flat, "bevel": bevel}}


def one_finish(kind: str, grit: int = 400, bevel_deg: float = 90.0) -> Change:
    """Finish the whole face alike, with the bevel's lay at an angle."""
    flat, bevel = ({"kind": kind, "grit": grit, "angle_deg": angle} for angle in (0.0, bevel_deg))
    return finish(flat, bevel)


def tint(**values: Drawn | str) -> Change:
    """Colour a belt ground face with oil, layout fluid or temper colours."""

    def applied(rng: Rng, made: Pair) -> Pair:
        tints = [drawn(rng, values) | {"seed": int(rng.integers(1 << 20))}]
        return made | {"finish": {"flat": FLAT, "bevel": LINE}, "tints": tints}

    return applied
