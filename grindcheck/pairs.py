"""Photos of one blade, two and two: each pair is measured, and what they say is combined."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from grindcheck import pipeline
from grindcheck.errors import InputError
from grindcheck.pipeline import STEPS, Progress, Request, untold
from grindcheck.several import Combined, combine


def check_pairs(request: Request, photos: Sequence[Path], *, progress: Progress = untold) -> Combined:
    """Measure every pair and combine them.

    Parameters
    ----------
    request : Request
        What holds for all pairs; its own `photos` don't count.
    photos : sequence of Path
        Two of the first pair, one of each face, then two of the next, and so on.
    progress : callable, optional
        Is told each of `steps_of` as it begins.

    Returns
    -------
    Combined
        Of one pair what `pipeline.check_pair` says.

    Raises
    ------
    InputError
        If the photos aren't two and two, or faces or lines by hand are given for more than two.
    GrindcheckError
        If a photo can't be used, or two don't belong together.
    """
    require_pairs(len(photos), bound=bool(request.faces or request.hand_lines))
    pairs = list(zip(photos[::2], photos[1::2], strict=True))
    found = []
    for number, pair in enumerate(pairs):

        def told(step: str, number: int = number) -> None:
            progress(_named(step, number, len(pairs)))

        found.append(pipeline.check_pair(replace(request, photos=pair), progress=told))
    return combine(found)


def require_pairs(count: int, *, bound: bool) -> None:
    """Refuse a number of photos that isn't two and two.

    Parameters
    ----------
    count : int
    bound : bool
        Whether faces or lines by hand are given, which belong to two certain photos.

    Raises
    ------
    InputError
    """
    if count < 2 or count % 2:
        raise InputError(
            f"Two photos are needed, one of each face, or several such pairs; {count} came.",
            advice="Name two photo files: grindcheck check left.jpg right.jpg --thickness 4mm.",
        )
    if count > 2 and bound:
        raise InputError(
            "Faces and lines by hand belong to two photos, and more came.",
            advice="Check this pair by itself, or leave out --faces and the lines.",
        )


def steps_of(pairs: int) -> tuple[str, ...]:
    """Return the steps of so many pairs, in their order.

    Examples
    --------
    >>> steps_of(1)[0], steps_of(2)[0], len(steps_of(2))
    ('Finding mat and blade', 'Pair 1 of 2: Finding mat and blade', 8)
    """
    return tuple(_named(step, number, pairs) for number in range(pairs) for step in STEPS)


def _named(step: str, number: int, pairs: int) -> str:
    return step if pairs == 1 else f"Pair {number + 1} of {pairs}: {step}"
