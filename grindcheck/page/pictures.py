"""Pictures for looking at: made anew from the pixels, so that nothing else of a file reaches a browser."""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import GrindcheckError
from grindcheck.page.guard import RefusedError
from grindcheck.photo import read_photo
from grindcheck.record import vault
from grindcheck.record.opening import Record
from grindcheck.report.data import write_whole
from grindcheck.shown import picture_again

Picture = NDArray[np.uint8]

SIZES = {"small": 416, "screen": 1600, "full": None}
"""Longest side in pixels; None: as large as the photo."""

WIDEST_FACE_PX = 2600
_QUALITY = {"small": 78, "screen": 86, "full": 90}
_CROP_PX = 640  # wide on the page
_CROP_LEAST_PX = 60  # of the photo: below, single pixels are all that is seen
_ROOM = 1.7  # times a scratch's own length


class Pictures:
    """Makes the pictures of a record's photos; small ones are kept in a folder beside the photos.

    Parameters
    ----------
    record : Record
    """

    def __init__(self, record: Record) -> None:
        self._record = record
        self._folder = record.place.photos.parent / "shown"
        self._searched = lru_cache(maxsize=2)(self._searched_now)

    def photo(self, sha256: str, size: str) -> bytes:
        """Return a photo as JPEG, at most as large as `SIZES` says."""
        longest = SIZES[size]
        source = vault.photo_path(self._record, sha256)
        if longest is None:
            return _jpeg(read_photo(source).bgr, _QUALITY[size])
        kept = self._folder / sha256[:2] / f"{sha256}-{size}.jpg"
        try:
            return kept.read_bytes()
        except FileNotFoundError:
            made = _jpeg(_smaller(read_photo(source).bgr, longest), _QUALITY[size])
        kept.parent.mkdir(parents=True, exist_ok=True)
        write_whole(kept, lambda beside: beside.write_bytes(made))
        return made

    def face(self, result: Mapping[str, Any], side: str) -> bytes:
        """Return a face in the blade frame, as both sides of a comparison are laid over each other."""
        view = result.get("drawing", {}).get("sides", {}).get(side)
        if view is None:
            raise _no_picture()
        return _jpeg(self._again(view["picture"]), 88)

    def searched(self, check_id: str, result: Mapping[str, Any], number: int) -> bytes:
        """Return the picture of a face in which scratches were searched for."""
        return _jpeg(self._searched(check_id, _Held(result), number), 88)

    def crop(self, check_id: str, result: Mapping[str, Any], number: int, scratch: int) -> bytes:
        """Return the surroundings of a scratch, enlarged, with marks beyond both of its ends."""
        faces = result.get("faces", ())
        found = (
            [one for one in faces[number]["scratches"] if one["number"] == scratch]
            if number < len(faces)
            else []
        )
        if not found:
            raise _no_picture()
        whole = self._searched(check_id, _Held(result), number)
        return _jpeg(
            _cropped(whole, np.asarray(found[0]["path_px"], dtype=np.float64), _share(result, number, whole)),
            92,
        )

    def forget_lost(self) -> None:
        """Delete kept pictures of photos that the record no longer has."""
        self._searched.cache_clear()
        for kept in self._folder.glob("*/*.jpg"):
            try:
                vault.photo_path(self._record, kept.name.split("-")[0])
            except GrindcheckError:
                kept.unlink(missing_ok=True)

    def _searched_now(self, check_id: str, held: "_Held", number: int) -> Picture:
        pictures = held.result.get("drawing", {}).get("pictures", ())
        if number >= len(pictures) or pictures[number] is None:
            raise _no_picture()
        return self._again(pictures[number])

    def _again(self, data: Mapping[str, Any]) -> Picture:
        source = vault.photo_path(self._record, str(data["photo_sha256"]))
        return picture_again(read_photo(source).bgr, dict(data), widest_px=WIDEST_FACE_PX)


class _Held:
    """A result as part of a cache's key: the check's name says which."""

    def __init__(self, result: Mapping[str, Any]) -> None:
        self.result = result

    def __hash__(self) -> int:
        return 0

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Held)


def _no_picture() -> RefusedError:
    return RefusedError(
        "There is no such picture.", advice="Go back to the check and measure it again.", status=404
    )


def _share(result: Mapping[str, Any], number: int, made: Picture) -> float:
    return float(made.shape[1]) / int(result["drawing"]["pictures"][number]["shape"][1])


def _cropped(whole: Picture, path_px: NDArray[np.float64], share: float) -> Picture:
    import cv2

    path = path_px * share
    low, high = path.min(axis=0), path.max(axis=0)
    middle = (low + high) / 2
    width = max(_ROOM * float(max(high[0] - low[0], (high[1] - low[1]) * 4 / 3)), _CROP_LEAST_PX)
    scale = _CROP_PX / width
    move = np.array(
        [[scale, 0, _CROP_PX / 2 - scale * middle[0]], [0, scale, _CROP_PX * 3 / 8 - scale * middle[1]]]
    )
    size = (_CROP_PX, _CROP_PX * 3 // 4)
    crop = cv2.warpAffine(whole, move, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT)
    ends = path[[0, -1]] @ move[:, :2].T + move[:, 2]
    along = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1e-9)
    for end, out in zip(ends, (-along, along), strict=True):
        tips = [tuple(int(v) for v in np.round(end + out * away)) for away in (14, 52)]
        for colour, thick in (((20, 20, 20), 7), ((255, 255, 255), 3)):
            cv2.line(crop, tips[0], tips[1], colour, thick, cv2.LINE_AA)
    return np.asarray(crop, dtype=np.uint8)


def _smaller(bgr: Picture, longest: int) -> Picture:
    import cv2

    share = longest / max(bgr.shape[:2])
    if share >= 1:
        return bgr
    return np.asarray(cv2.resize(bgr, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _jpeg(bgr: Picture, quality: int) -> bytes:
    import cv2

    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError(f"no JPEG can be made of {bgr.shape}")
    return bytes(data)
