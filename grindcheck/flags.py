"""Reservations that a figure or photo can carry: name, meaning, what to do. Names are kept in records."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One reservation.

    Parameters
    ----------
    name : str
        As stored; never renamed or reused.
    meaning : str
        What is so.
    advice : str
        What to do to get rid of it.
    """

    name: str
    meaning: str
    advice: str


_TABLE: tuple[tuple[str, str, str], ...] = (
    # the file
    ("no_exif_focal", "The file doesn't say its focal length.", "Send the phone's original file."),
    ("small_photo", "The photo has few pixels, as messenger copies have.", "Send the phone's original file."),
    ("mirrored_undone", "The file is stored mirrored; that was undone.", "Use the rear camera."),
    (
        "digital_zoom",
        "Digital zoom was used, so the focal length is less certain.",
        "What that costs is in U; beyond twice the zoom use a lens of its own.",
    ),
    ("cropped", "The photo was cut or reshaped.", "Send the whole photo, as the phone took it."),
    # the mat
    ("blurred", "The mat's edges are blurred.", "Hold still, tap to focus on the blade, use more light."),
    ("halo", "The phone's sharpening leaves halos beside edges.", "Turn sharpening and scene modes off."),
    ("clipped", "The white paper is overexposed.", "Tap the paper to set the exposure, or use less light."),
    (
        "few_corners",
        "Little of the mat's frame is seen.",
        "Show more of the frame; the blade or the handle may cover a part of it.",
    ),
    ("dark", "The photo is dark.", "Use more light."),
    ("blown_out", "Parts of the blade are overexposed.", "Use softer light, or turn the blade a little."),
    ("tilted", "The camera was tilted by more than 15°.", "Hold the phone level over the mat."),
    (
        "grey_print",
        "The mat is printed in grey, so only brightness tells blade from field.",
        "Print the mat in colour if the outline is poor.",
    ),
    (
        "print_scale_unmeasured",
        "The print's scale wasn't checked.",
        "Measure the mat's two bars with a calliper and give --bar-x and --bar-y.",
    ),
    # lens and pose
    (
        "focal_contradicts_exif",
        "The mat shows another focal length than the file says; the mat was believed.",
        "Send the original file and lay the mat flat.",
    ),
    (
        "lens_contradicted",
        "The mat shows another lens than the one calibrated for this phone; the mat was believed.",
        "Calibrate the phone again, and lay the mat flat.",
    ),
    (
        "lenses_unreadable",
        "The file lenses.json in the data folder can't be read; the photo was measured without a calibrated "
        "lens.",
        "Mend that file or move it away, then calibrate the phone again with grindcheck calibrate.",
    ),
    (
        "lens_residual",
        "The mat's corners don't all lie where lens and pose put them.",
        "Fix the mat flat on a board; use the main lens from about 40 cm.",
    ),
    (
        "corners_dropped",
        "Some of the mat's corners didn't fit and were left out.",
        "Clear the frame of oil, chips and shadows.",
    ),
    # several pairs
    (
        "pair_left_out",
        "One of the pairs of photos doesn't agree with the others and was left out.",
        "Look at its photos: another light, a moved blade, or another knife.",
    ),
    (
        "pairs_disagree",
        "The pairs of photos differ by more than their uncertainties allow; U was widened.",
        "Take another pair under soft light, and check that the blade lies flat.",
    ),
    # the blade
    (
        "edge_side_unsure",
        "Which side is the edge isn't certain.",
        "Place a line by hand, or light the bevel so that it differs from the flat.",
    ),
    (
        "curved_spine",
        "The spine is curved, so the direction along the blade is less certain.",
        "Show more of the straight spine or ricasso.",
    ),
    # the lines
    (
        "plunge_unsure",
        "The plunge line isn't seen clearly.",
        "Use soft light from the side, or place it by hand with --plunge-left or --plunge-right.",
    ),
    (
        "shoulder_unsure",
        "The shoulder line isn't seen clearly.",
        "Use soft light from the side, or place it by hand with --shoulder-left or --shoulder-right.",
    ),
    (
        "grind_unsure",
        "Whether the bevel reaches the spine isn't seen clearly.",
        "Say the grind with --grind, or use soft light from the side.",
    ),
    (
        "no_plunge",
        "No plunge line is seen.",
        "If there is one, use soft light from the side, or place it by hand.",
    ),
    (
        "full_flat",
        "The bevel reaches the spine, so there is no shoulder.",
        "If there is a shoulder, say so with --grind.",
    ),
    ("placed_by_hand", "A line was placed by hand.", "Leave the option out to have it found."),
    # the pair
    (
        "outlines_differ",
        "The two outlines don't lie well on each other.",
        "Clean the edge of burr and tape, check that it is one knife and that it isn't bent.",
    ),
    (
        "outlines_scale",
        "The two outlines ask for another thickness than the one told.",
        "Measure the stock with a calliper; with handle scales on, give --flat-height.",
    ),
    (
        "turned_end_for_end",
        "The tip points another way in the second photo, so light strikes the plunges differently.",
        "Turn the blade over about its long axis.",
    ),
    # the finish
    (
        "dirty_blade",
        "The face is covered with spots, as of drops, oil or dust, that hide scratches.",
        "Clean and dry the blade.",
    ),
    # the close-up
    (
        "close_up",
        "A strip or a corner of the mat beside the blade gives the scale, less surely than the whole mat.",
        "Show more of the strip, near the blade; for places on the blade photograph it on the mat.",
    ),
    (
        "no_scale",
        "No mat or strip is seen, so there are no millimetres.",
        "Lay a printed strip beside the blade.",
    ),
    (
        "thickness_unknown",
        "The stock thickness isn't told, so the height of the face over the strip is uncertain.",
        "Give --thickness.",
    ),
)

FLAGS = {name: Flag(name=name, meaning=meaning, advice=advice) for name, meaning, advice in _TABLE}


def flag(name: str) -> Flag:
    """Return the flag of a name.

    Raises
    ------
    ValueError
        If the table has no such flag.
    """
    try:
        return FLAGS[name]
    except KeyError:
        raise ValueError(f"There is no flag {name!r} in the table.") from None
