"""Pictures of recorded results, for an archive."""

from collections.abc import Iterable, Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import NotInRecordError, PhotoError
from grindcheck.photo import read_photo
from grindcheck.record.entries import Check
from grindcheck.record.opening import Record
from grindcheck.record.vault import photo_path
from grindcheck.report.recorded_picture import recorded_picture


def result_pictures(record: Record, checks: Iterable[Check]) -> Iterator[tuple[str, bytes]]:
    """Draw what came out of checks, where there is something to draw.

    Yields
    ------
    str
        The check's id.
    bytes
        A JPEG, without anything that the phone wrote into the photo.
    """

    @lru_cache(maxsize=2)  # both photos of a check; its photos may be checked again
    def photo(sha256: str) -> NDArray[np.uint8]:
        return read_photo(photo_path(record, sha256)).bgr

    for check in checks:
        outcome = check.outcome
        if outcome is None or outcome.state != "done":
            continue
        try:
            made = recorded_picture(outcome.verdict, outcome.headline, outcome.result, photo)
        except (PhotoError, NotInRecordError):  # a record may have come from elsewhere
            continue
        if made is not None:
            yield check.id, made
