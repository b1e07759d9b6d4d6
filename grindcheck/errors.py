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
    └── OutputError      a result can't be written

A mistake of the programmer is a ``ValueError`` instead, and a figure measured with a reservation carries
flags (`grindcheck.flags`), so neither appears here.
"""


class GrindcheckError(Exception):
    """Base of all errors that carry advice.

    Parameters
    ----------
    message : str
        What is wrong, with the numbers that show it.
    advice : str
        One sentence on what to do next.
    """

    def __init__(self, message: str, *, advice: str) -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice

    def __str__(self) -> str:
        return f"{self.message} {self.advice}"


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
