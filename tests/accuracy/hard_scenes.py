"""Benches that are hard on a photo, for the accuracy study: one trouble a pair, at a size that shops have.

Each description goes to ``sample_images/render.py`` as it stands. Ranges are common practice, no source.

    python tests/accuracy/hard_scenes.py --seed 5 --out build/hard.json
    python sample_images/render.py --pairs build/hard.json --out tests/accuracy/hard_photos
    python tests/accuracy/study.py tests/accuracy/hard_photos

With ``--repeats 10`` it describes one blade laid down and photographed ten times instead.
"""

import hard_blades as blades
import hard_camera as camera
import hard_light as light
import hard_objects as objects
from hard_bench import Change, Pair, Rng, each
from hard_tags import tags_of
from scenes import Wish, pair, study_scenes, write_study

PAIRS_EACH = 5  # by default, of each stratum


def _plain(rng: Rng, made: Pair) -> Pair:
    return made


# name, what is drawn first, and what is then changed
STRATA: tuple[tuple[str, Wish, Change], ...] = (
    ("tilt 15-20", Wish(), camera.view(tilt_deg=(15.0, 20.0))),
    ("tilt 20-25", Wish(), camera.view(tilt_deg=(20.0, 25.0))),
    ("from 20 to 25 cm", Wish(), camera.distance(200.0, 250.0)),
    ("from 25 to 40 cm", Wish(), camera.distance(250.0, 400.0)),
    ("from 40 to 60 cm", Wish(), camera.distance(400.0, 600.0)),
    ("from 60 to 80 cm", Wish(), camera.distance(600.0, 800.0)),
    ("5 MP", Wish(), camera.size(2592, 1944)),
    ("48 MP", Wish(), camera.size(8064, 6048, sigma_px=1.3)),
    ("moustache lens", Wish(), camera.moustache),
    ("focus blur", Wish(), camera.blur((1.5, 3.0))),
    ("motion blur", Wish(), camera.blur((0.6, 0.8), (4.0, 9.0))),
    ("dim and noisy", Wish(), camera.phone(noise=(0.02, 0.04), iso=1600, exposure=(0.5, 0.8))),
    ("blown highlights", Wish(), camera.phone(exposure=(1.7, 2.4))),
    ("mixed light", Wish(light="mixed"), _plain),
    ("window light", Wish(light="window"), _plain),
    ("one hard lamp", Wish(), light.hard_lamp),
    ("shadow on the edge", Wish(), light.shadow),
    ("phone mirrored, polished", Wish(grind="sabre"), light.phone_mirrored("polished", 600)),
    ("phone mirrored, satin", Wish(grind="sabre"), light.phone_mirrored("satin", 600)),
    ("finger on the tang", Wish(), objects.finger),
    ("magnet on the tang", Wish(), objects.magnet),
    ("tape on the edge", Wish(), objects.tape),
    ("dirty mat", Wish(), objects.dirty_mat),
    ("mat creased", Wish(), objects.curl(crease_mm=(0.5, 1.5), crease_at_mm=(-125.0, -105.0))),
    ("mat bent", Wish(), objects.curl(ends_mm=(1.0, 3.0))),
    ("mat half hidden", Wish(), objects.half_hidden),
    ("mat printed grey", Wish(), objects.printed(grey_print=True)),
    ("printed at 96 %, measured", Wish(), objects.printed(print_scale=[0.96, 0.96], bars_known=True)),
    ("printed at 96 %, not measured", Wish(), objects.printed(print_scale=[0.96, 0.96], bars_known=False)),
    ("oil film", Wish(), blades.tint(kind="oil", amount=(0.15, 0.35), cloud_mm=(1.0, 4.0))),
    ("layout fluid", Wish(), blades.tint(kind="fluid")),
    ("temper colours", Wish(), blades.tint(kind="heat", reach_mm=(6.0, 14.0))),
    ("black oxide", Wish(), blades.one_finish("oxide")),
    ("dark etched", Wish(), blades.one_finish("etched")),
    ("mirror polish", Wish(), blades.one_finish("mirror")),
    ("tumbled", Wish(), blades.one_finish("tumbled")),
    ("satin, one lay", Wish(), blades.one_finish("satin", bevel_deg=0.0)),
    ("tall chef's blade", Wish(grind="full_flat", paper="a3"), blades.shape(blades.tall)),
    ("50 mm blade", Wish(grind="sabre"), blades.shape(blades.short)),
    ("curved spine", Wish(), blades.shape(blades.curved_spine)),
    ("clipped point", Wish(), blades.shape(blades.clipped)),
    ("recurved edge", Wish(), blades.shape(blades.recurved)),
    ("swaged point", Wish(grind="sabre"), blades.swaged),
    ("tapered tang", Wish(), blades.shape(blades.tapered_tang)),
)


def hard_scenes(rng: Rng, n_pairs: int) -> list[Pair]:
    """Return pairs that go through `STRATA` in turn; each has its own stream of random numbers."""
    out = []
    for number, own in enumerate(rng.spawn(n_pairs)):
        name, wish, change = STRATA[number % len(STRATA)]
        made = pair(own, f"hard_{number:03d}", wish)
        if own.random() < 0.5:  # as many phones store 8 MP
            each(made, lambda photo: photo["view"].update(size_px=_eight_mp(photo["view"]["size_px"])))
        made = change(own, made)
        out.append(made | {"tags": tags_of(made) | {"stratum": name}})
    return out


def _eight_mp(size_px: list[int]) -> list[int]:
    return [3264, 2448] if size_px[0] >= size_px[1] else [2448, 3264]


def repeats(rng: Rng, n_pairs: int) -> list[Pair]:
    """Return pairs of photos of one blade, laid down and shot anew each time, under one bench's light."""
    first = study_scenes(rng, 1)[0]
    wish = Wish(
        grind=first["blade"]["grind"],
        lens="52",
        thickness=first["tags"]["thickness"],
        paper=first["paper"],
        hand_finished=first["finish"]["hand_finished"],
    )
    kept = {key: first[key] for key in ("seed", "print_scale", "bars_known", "finish", "table")}
    out = []
    for number, own in enumerate(rng.spawn(n_pairs)):
        made = pair(own, f"repeat_{number:03d}", wish, blade=first["blade"]) | kept
        each(made, lambda photo: photo.update(light=first["photos"][0]["light"]))
        out.append(made | {"tags": tags_of(made) | {"stratum": "again"}})
    return out


if __name__ == "__main__":
    write_study(
        "Describe hard pairs for the accuracy study.", "pairs", PAIRS_EACH * len(STRATA), hard_scenes,
        instead={"repeats": repeats},
    )  # fmt: skip
