"""Errors that a user can do something about, each with one sentence of advice.

The tree::

    GrindcheckError
    ├── PhotoError       the file is no photo that can be read
    ├── MatError         the mat is missing, too little seen, wrong or doubled
    │   └── NoMatError   nothing of it is seen at all
    ├── CameraError      lens and position don't follow from the mat's corners
    ├── BladeError       blade, tip, edge or lines aren't found in the photo
    ├── PairError        the two photos don't show the two faces of one blade
    ├── InputError       an option's value is missing, impossible or in the wrong unit
    ├── OutputError      a result can't be written
    └── RecordError      the record can't be opened, read or written, or an archive can't be taken in
        └── NotInRecordError  what is asked for isn't in the record

A mistake of the programmer is a ``ValueError`` instead, and a figure measured with a reservation carries
flags (`grindcheck.flags`), so neither appears here.
"""

from collections.abc import Iterator
from contextlib import contextmanager


class GrindcheckError(Exception):
    """Base of all errors that carry advice.

    Parameters
    ----------
    message : str
        What is wrong, with the numbers that show it.
    advice : str
        One sentence on what to do next.

    Attributes
    ----------
    photo : str or None
        File name of the photo that caused it, where one did.
    """

    def __init__(self, message: str, *, advice: str) -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice
        self.photo: str | None = None

    def __str__(self) -> str:
        return f"{self.message} {self.advice}"


@contextmanager
def about(photo: str) -> Iterator[None]:
    """Have the errors that come out of a block say which photo caused them.

    Examples
    --------
    >>> try:
    ...     with about("left.jpg"):
    ...         raise GrindcheckError("It is dark.", advice="Turn on a lamp.")
    ... except GrindcheckError as problem:
    ...     problem.photo
    'left.jpg'
    """
    try:
        yield
    except GrindcheckError as problem:
        problem.photo = problem.photo or photo
        raise


class PhotoError(GrindcheckError):
    """The file is no photo that can be read."""


class MatError(GrindcheckError):
    """The mat is missing, too little of it is seen, or it is the wrong one."""


class NoMatError(MatError):
    """Nothing of a mat is seen at all."""


class CameraError(GrindcheckError):
    """Lens and position of the camera don't follow from the mat's corners."""


class BladeError(GrindcheckError):
    """The blade, or a part of it that is needed, isn't found in the photo."""


class PairError(GrindcheckError):
    """The two photos don't show the two faces of one blade."""


class InputError(GrindcheckError):
    """An option's value is missing, impossible or in the wrong unit."""


class OutputError(GrindcheckError):
    """A result can't be written where it was asked for."""


class RecordError(GrindcheckError):
    """The record can't be opened, read or written, or an archive can't be taken in."""


class NotInRecordError(RecordError):
    """What is asked for isn't in the record."""
