"""Troubles of the phone: where it is held from, its lens, its pixels, blur, noise and exposure."""

from typing import Any

import numpy as np
from hard_bench import Change, Drawn, Pair, Rng, distance_mm, drawn, each

_HALF_FRAME_MM = 21.633  # half the diagonal of 36 x 24 mm
_BEND = (0.5, 0.6)  # second and third term of a moustache over the first, at the picture's corner


def view(**values: Drawn) -> Change:
    """Set entries of each photo's view."""

    def applied(rng: Rng, made: Pair) -> Pair:
        new = drawn(rng, values)
        return each(made, lambda photo: photo["view"].update(new))

    return applied


def phone(**values: Drawn) -> Change:
    """Set entries of what the phone does to each photo."""

    def applied(rng: Rng, made: Pair) -> Pair:
        new = drawn(rng, values)
        return each(made, lambda photo: photo["phone"].update(new))

    return applied


def blur(sigma_px: tuple[float, float], motion_px: tuple[float, float] = (0.0, 0.0)) -> Change:
    """Blur each photo by its own amount."""

    def applied(rng: Rng, made: Pair) -> Pair:
        return each(
            made,
            lambda photo: photo["blur"].update(drawn(rng, {"sigma_px": sigma_px, "motion_px": motion_px})),
        )

    return applied


def distance(low_mm: float, high_mm: float) -> Change:
    """Hold the phone so far off that both working distances lie in a range; the mat fills the picture.

    The lens follows from the distance: a wide one for 20 cm, a long one for 80 cm. Both photos are taken
    upright or both lying, since the one needs a third more room than the other.
    """

    def applied(rng: Rng, made: Pair) -> Pair:
        first = made["photos"][0]
        for photo in made["photos"][1:]:
            photo["view"].update(size_px=first["view"]["size_px"], roll_deg=first["view"]["roll_deg"])
            photo["phone"]["orientation"] = first["phone"]["orientation"]
        drawn_for = [(photo["view"]["f35_mm"], photo["view"]["distortion"]) for photo in made["photos"]]
        f35, share = 52.0, float(rng.random())
        for _ in range(12):  # the distance grows nearly as the focal length does
            _lens(made, f35)
            for photo, (old, bent) in zip(made["photos"], drawn_for, strict=True):
                photo["view"]["distortion"] = _at_focal(bent, f35 / old)
            seen = [distance_mm(made, photo) for photo in made["photos"]]
            room = high_mm * 0.999 * min(seen) / max(seen) - low_mm
            if room < 0:  # leaning alike then, as on a stand
                same = {key: first["view"][key] for key in ("tilt_deg", "azimuth_deg", "off_mm", "margin")}
                each(made, lambda photo, same=same: photo["view"].update(same))
                continue
            if abs(low_mm + share * room - min(seen)) < 0.01:
                break
            f35 *= (low_mm + share * room) / min(seen)
        return made

    return applied


def _at_focal(distortion: list[float], longer: float) -> list[float]:
    """Return the coefficients that bend as much in the corner with a focal length so many times as long."""
    return [float(k * longer**n) for k, n in zip(distortion, (2, 4, 1, 1, 6), strict=True)]


def _lens(made: Pair, f35_mm: float, **more: Any) -> None:
    def change(photo: dict[str, Any]) -> None:
        photo["view"].update(f35_mm=f35_mm, **more)
        photo["phone"].update(f35_mm=f35_mm, zoom=1)

    each(made, change)


def size(width_px: int, height_px: int, **blurred: float) -> Change:
    """Let the phone store pictures of another size, held level; ``blurred`` changes the blur."""

    def applied(rng: Rng, made: Pair) -> Pair:
        def change(photo: dict[str, Any]) -> None:
            photo["view"].update(size_px=[width_px, height_px], roll_deg=float(rng.uniform(-6, 6)))
            photo["phone"]["orientation"] = 1
            photo["blur"].update(blurred)

        return each(made, change)

    return applied


def moustache(rng: Rng, made: Pair) -> Pair:
    """Use a wide or a long lens that bends inwards half-way to the corner, and outwards again beyond.

    With s the squared share of the way to the corner, the radius changes by ``a (-s + 0.5 s² + 0.6 s³)``: by
    -0.3 a where s = 0.52, by nothing where s = 0.94, by +0.1 a in the corner.
    """
    f35 = float(rng.uniform(24, 28)) if rng.random() < 0.6 else 77.0
    corner = _HALF_FRAME_MM / f35
    amount = float(rng.choice([-1, 1], p=[0.25, 0.75]) * rng.uniform(0.04, 0.07))
    bent = [-amount / corner**2, amount * _BEND[0] / corner**4, 2e-4, -2e-4, amount * _BEND[1] / corner**6]
    _lens(made, f35, distortion=[float(k) for k in bent])
    return made


def radial_error(distortion: list[float], radius: np.ndarray) -> np.ndarray:
    """Return by which share of itself a radius (of a focal length) grows through the lens."""
    k1, k2, _, _, k3 = distortion
    r2 = np.asarray(radius, float) ** 2
    return r2 * (k1 + r2 * (k2 + r2 * k3))


def corner_radius(f35_mm: float) -> float:
    """Return the radius of a picture's corner in focal lengths."""
    return _HALF_FRAME_MM / f35_mm
