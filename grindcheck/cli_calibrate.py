"""The command that learns a phone's lens from photos of the mat."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from grindcheck.console import BarX, BarY, PaperSeen, told

if TYPE_CHECKING:
    from grindcheck.camera import Camera
    from grindcheck.lensstore import KnownLens
    from grindcheck.mat.finding import MatView
    from grindcheck.photo import Photo

_APART_MM = 100.0  # of the two points whose distance is asked for
_HEIGHT_MM = 4.0  # of a blade's flat


def calibrate(
    context: typer.Context,
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO...", show_default=False, help="Eight or more of the empty mat."),
    ],
    paper: PaperSeen = None,
    bar_x: BarX = None,
    bar_y: BarY = None,
    only_look: Annotated[bool, typer.Option("--look", help="Say what it gains, and keep nothing.")] = False,
) -> None:
    """Learn the phone's lens from photos of the mat, so that later checks know it beforehand.

    Fix the mat flat on a board, and photograph it with the lens and zoom that you use for blades: straight
    down, from the left, the right, the top and the bottom, nearer and farther, with the phone turned, and
    so near that the mat reaches into the corners of the picture.
    """
    with told(context):
        import numpy as np
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

        from grindcheck import options
        from grindcheck.camera import solve_camera
        from grindcheck.errors import InputError, about
        from grindcheck.lenscalibration import Sight, calibrate
        from grindcheck.lensguide import held_as_stored, still_missing
        from grindcheck.lensstore import check_lenses, keep_lens, known_lens, lens_name, lenses_file
        from grindcheck.mat.finding import find_mat
        from grindcheck.photo import read_photo
        from grindcheck.printscale import load_print_scale, print_scale

        read_bars = options.read_bar(bar_x, "x"), options.read_bar(bar_y, "y")
        if not only_look:
            check_lenses()  # before the user waits for a lens that couldn't be kept
        seen: list[tuple[Photo, MatView]] = []
        cameras: list[Camera] = []
        scale = None
        bar = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), console=Console(stderr=True)
        )
        with bar:
            task = bar.add_task("photos", total=len(photos))
            for path in photos:
                photo = read_photo(path)
                with about(photo.name):
                    view = find_mat(photo, paper=paper)
                    scale = (
                        print_scale(view.spec.paper, *read_bars)
                        if any(read_bars)
                        else load_print_scale(view.spec.paper)
                    )
                    cameras.append(solve_camera(view, photo, scale=(scale.x, scale.y), scale_std=scale.std))
                seen.append((photo, view))
                bar.advance(task)
        _one_lens([photo for photo, _ in seen])
        held = [
            held_as_stored(view.corner_px, camera, photo.orientation)
            for (photo, view), camera in zip(seen, cameras, strict=True)
        ]
        missing = still_missing([stand for _, stand in held])
        if missing:
            raise InputError(
                f"These {len(photos)} photos don't tell the lens yet.",
                advice="Add photos of the mat: " + "; ".join(missing) + ".",
            )
        assert scale is not None
        width, height = held[0][1].size_px
        sights = [
            Sight(
                corner_mm=np.asarray(view.corner_mm) * [scale.x, scale.y],
                corner_px=corner_px,
                std_px=max(view.corner_std_px, 0.01),
                start=stand.start,
            )
            for (_, view), (corner_px, stand) in zip(seen, held, strict=True)
        ]
        middle = (np.array([width, height]) - 1) / 2
        lens = calibrate(sights, stretch_std=np.sqrt(2) * scale.std, centre_px=middle)
        known = known_lens(lens.values, lens.covariance, (width, height))
        key = lens_name(seen[0][0])
        typer.echo(
            f"Lens of {key.replace('|', ' ').strip()} from {lens.photos} photos, {lens.corners} crossings."
        )
        typer.echo(
            f"Model: {lens.model}. Crossings miss it by {lens.rms_px:.3f} px (rms), those of photos that "
            f"took no part by {lens.held_out_px[lens.model]:.3f} px."
        )
        lenses: list[KnownLens] = [known] * len(seen)
        for fold in lens.folds:
            for index in fold.photos:
                lenses[index] = known_lens(fold.values, fold.covariance, (width, height))
        before, after = _gain(seen, cameras, lenses, (scale.x, scale.y), scale.std)
        typer.echo(
            f"Uncertainty U of {_APART_MM:.0f} mm on a blade's flat in one photo, from lens and pose: "
            f"{before:.3f} mm before, {after:.3f} mm with a lens that the photo took no part in."
        )
        if only_look:
            return
        keep_lens(key, known, model=lens.model, photos=lens.photos, rms_px=lens.rms_px,
                  held_out_px=lens.held_out_px[lens.model])  # fmt: skip
        typer.echo(f"Kept in {lenses_file()}; later checks of photos with this lens use it.")


def _one_lens(photos: "list[Photo]") -> None:
    from grindcheck.errors import InputError

    keys = {photo.lens_key for photo in photos}
    if "" in keys:
        nameless = ", ".join(photo.name for photo in photos if not photo.lens_key)
        raise InputError(
            f"These photos don't say which phone and lens took them: {nameless}.",
            advice="Give the files as the phone stored them; a messenger takes that out.",
        )
    sizes = {tuple(sorted(photo.bgr.shape[:2])) for photo in photos}
    if len(keys) > 1 or len(sizes) > 1:
        each = "; ".join(f"{photo.name}: {photo.lens_key.replace('|', ' ')}" for photo in photos)
        raise InputError(
            f"These photos come from several lenses, zooms or sizes. {each}",
            advice="Give photos of one lens at one zoom and size at a time.",
        )


def _gain(
    seen: "list[tuple[Photo, MatView]]",
    cameras: "list[Camera]",
    lenses: "list[KnownLens]",
    scale: tuple[float, float],
    scale_std: float,
) -> tuple[float, float]:
    """Return the expanded uncertainty of a length before and with a lens, the median over the photos.

    Each photo has the lens that the others tell, since one it was fitted to couldn't but agree with it.
    """
    import numpy as np

    from grindcheck.camera import solve_camera
    from grindcheck.settings import COVERAGE_FACTOR

    before = [_length_std(camera) for camera in cameras]
    after = [
        _length_std(solve_camera(view, photo, scale=scale, scale_std=scale_std, lens=lens))
        for (photo, view), lens in zip(seen, lenses, strict=True)
    ]
    return COVERAGE_FACTOR * float(np.median(before)), COVERAGE_FACTOR * float(np.median(after))


def _length_std(camera: "Camera") -> float:
    """Return the standard uncertainty of a length over the paper, from the camera's covariance."""
    import numpy as np

    ends_mm = np.array([[-_APART_MM / 2, 0.0, _HEIGHT_MM], [_APART_MM / 2, 0.0, _HEIGHT_MM]])
    ends_px = camera.px_from_mm(ends_mm)

    def length(parameters: object) -> float:
        at = camera.with_parameters(parameters).mm_from_px(ends_px, _HEIGHT_MM)  # type: ignore[arg-type]
        return float(np.hypot(*(at[1] - at[0])))

    std = np.sqrt(np.diag(camera.covariance))
    slope = np.zeros(len(std))
    for index, size in enumerate(std):
        if size > 0:
            step = np.zeros(len(std))
            step[index] = 0.01 * size
            slope[index] = (length(camera.parameters + step) - length(camera.parameters - step)) / (
                0.02 * size
            )
    return float(np.sqrt(slope @ camera.covariance @ slope))
