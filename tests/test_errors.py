"""The error tree: every error is the user's to mend, and says how."""

import inspect

import pytest

from grindcheck import errors
from grindcheck.errors import GrindcheckError

KINDS = [
    "PhotoError", "MatError", "CameraError", "BladeError", "PairError", "InputError", "OutputError",
    "RecordError",
]  # fmt: skip
PARTS = {"NoMatError": "MatError", "NotInRecordError": "RecordError"}  # kinds of a kind


@pytest.mark.parametrize("kind", KINDS)
def test_message_and_advice(kind: str) -> None:
    problem = getattr(errors, kind)("The photo is dark.", advice="Turn on a lamp.")
    assert isinstance(problem, GrindcheckError)
    assert problem.message == "The photo is dark."
    assert problem.advice == "Turn on a lamp."
    assert str(problem) == "The photo is dark. Turn on a lamp."


def test_the_tree_is_as_its_docstring_draws_it() -> None:
    classes = {
        name
        for name, item in inspect.getmembers(errors, inspect.isclass)
        if item.__module__ == errors.__name__
    }
    assert classes == {*KINDS, *PARTS, "GrindcheckError"}
    assert errors.__doc__ is not None
    for kind in KINDS:
        assert getattr(errors, kind).__bases__ == (GrindcheckError,)
        assert f"── {kind} " in errors.__doc__
    for part, kind in PARTS.items():
        assert getattr(errors, part).__bases__ == (getattr(errors, kind),)
        assert f"── {part} " in errors.__doc__


def test_advice_is_not_optional() -> None:
    with pytest.raises(TypeError, match="advice"):
        GrindcheckError("The photo is dark.")  # type: ignore[call-arg]


def test_a_programmers_mistake_is_none_of_them() -> None:
    assert not issubclass(GrindcheckError, ValueError)
