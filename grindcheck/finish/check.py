"""The order of the steps of a finish check: photo, regions, lay, scratches, groups, change since earlier."""

from collections.abc import Sequence

from grindcheck.errors import InputError, PairError, about
from grindcheck.finish.closeup import Closeup
from grindcheck.finish.face import face_of
from grindcheck.finish.request import FinishRequest
from grindcheck.finish.results import Finish
from grindcheck.finish.searched import Searched, look, search, search_earlier
from grindcheck.photo import read_photo
from grindcheck.pipeline import Progress, Seen, untold

STEPS = (
    "Finding mat and blade",
    "Searching for scratches",
    "Searching the earlier photo",
    "Putting scratches together",
)
"""Of `check_finish`, in their order; the third only where there is an earlier photo."""


def check_finish(request: FinishRequest, *, progress: Progress = untold) -> Finish:
    """Search every face that the photos show.

    Parameters
    ----------
    request : FinishRequest
    progress : callable, optional

    Returns
    -------
    Finish

    Raises
    ------
    GrindcheckError
        With what is wrong and what to do.
    """
    if not request.photos:
        raise InputError("No photo is given.", advice="Name one photo at least: grindcheck finish face.jpg.")
    progress(STEPS[0])
    photos = [read_photo(path) for path in request.photos]
    looked = []
    for number, photo in enumerate(photos):
        with about(photo.name):
            looked.append(look(photo, request, number))
    faces = _by_face(looked)
    share = {side: request.false_finds / len(members) for side, members in faces.items()}
    progress(STEPS[1])
    searched = {
        side: [search(photos[n], looked[n], request, n, share[side]) for n in members]
        for side, members in faces.items()
    }
    earlier: dict[str, Searched] = {}
    for path in request.before:
        progress(STEPS[2])
        with about(path.name):
            one = search_earlier(path, request)
        if one.regions.side not in faces:
            raise PairError(
                f"{path.name} shows the {one.regions.side or 'unknown'} face; no photo of now shows it.",
                advice="Give an earlier photo of the same face.",
            )
        earlier[one.regions.side] = one
    progress(STEPS[3])
    return Finish(
        faces=tuple(
            face_of(members, earlier.get(side), request.false_finds) for side, members in searched.items()
        )
    )


def _by_face(looked: Sequence[Seen | Closeup]) -> dict[str, list[int]]:
    """Return the indices of the photos of each face; every photo without a mat stands for itself."""
    faces: dict[str, list[int]] = {}
    for number, one in enumerate(looked):
        name = one.outline.side if isinstance(one, Seen) else f"photo {number}"
        faces.setdefault(name, []).append(number)
    return dict(sorted(faces.items()))
