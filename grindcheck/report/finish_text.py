"""The finish as plain text: the verdict in one line, what to do, each scratch, what to mind."""

from typing import TYPE_CHECKING

from grindcheck.advice import Units
from grindcheck.finish.acceptance import NO_SCRATCH, length_std
from grindcheck.finish.grits import findable, next_grit
from grindcheck.report.finish_words import (
    face_name,
    finish_headline,
    how_sure,
    lay_named,
    long,
    place,
    wide,
)
from grindcheck.report.text import flagged, listed, table
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.units import degrees

if TYPE_CHECKING:
    from grindcheck.finish.acceptance import FinishVerdict
    from grindcheck.finish.results import Earlier, Finish, FinishFace, Scratch

_MOST = 40  # rows of a table that somebody reads


def finish_text(finish: "Finish", verdict: "FinishVerdict", *, units: Units = "both") -> str:
    """Write the result as text.

    Parameters
    ----------
    finish : Finish
    verdict : FinishVerdict
    units : {"mm", "in", "both"}
        Lengths of scratches are in mm for both: thousandths say nothing here.

    Returns
    -------
    str
        Lines of plain text that end with a newline. The first one is the verdict at a glance, unbroken. Apart
        from ``±``, ``°`` and ``²`` all signs are ASCII, so that any console shows them.
    """
    word, sentence = finish_headline(finish, verdict)
    blocks = [[f"{word}: {sentence}", *listed(reason for reason in verdict.reasons if reason != sentence)]]
    for face in finish.faces:
        blocks += _face(face, units)
    blocks.append(["Reservations", *(_reservations(finish) or ["  None."])])
    blocks.append(["What this rests on", *listed(_assumed(finish, verdict))])
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _face(face: "FinishFace", units: Units) -> list[list[str]]:
    names = ", ".join(photo["name"] for photo in face.photos)
    lights = f", {len(face.photos)} lights" if len(face.photos) > 1 else ""
    blocks = [[f"{face_name(face)}: {names}{lights}", *_regions(face)]]
    if face.groups:
        told = [f"{group.reading} {_numbers(group.numbers)}. {group.advice}" for group in face.groups]
        blocks.append(["What it likely is, and what to do", *listed(told)])
    blocks.append(["Can I move on to the next grit?", *listed(next_grit(face))])
    blocks.append(_scratches(face, units))
    if face.earlier is not None:
        blocks.append(_earlier(face, face.earlier, units))
    return blocks


def _regions(face: "FinishFace") -> list[str]:
    rows: list[tuple[str, ...]] = []
    for one in face.regions:
        along = "" if one.lay.direction_rad is None else f"from {one.along_contrast:.1f}"
        rows.append(
            (
                one.name,
                "" if one.area_mm2 is None else f"{one.area_mm2 / 100:.1f} cm²",
                "" if one.per_cm2_mm is None else f"{one.per_cm2_mm:.1f} mm/cm²",
                f"{100 * one.share:.2f} %",
                findable(one),
                f"{one.findable_contrast:.1f}",
                along,
                lay_named(one.lay),
            )
        )
    heads = ("Region", "area", "scratches", "share", "found from", "strength", "along the lay", "")
    return table(heads, rows) if rows else ["  No region was searched."]


def _scratches(face: "FinishFace", units: Units) -> list[str]:
    if not face.scratches:
        return ["Scratches: none is found."]
    changed = face.earlier is not None
    heads = ["Scratch", "from tip", "over edge", "length", "± U", "width", "to blade", "to lay"]
    heads += ["strength", "log NFA", *(("change",) if changed else ()), ""]
    rows = []
    for one in face.scratches[:_MOST]:
        to_lay = "" if one.lay_angle_rad is None else f"{degrees(one.lay_angle_rad):.0f}°"
        rows.append(
            (
                f"{one.number} {one.region}",
                *place(one, units),
                long(one, units),
                _expanded(one, units),
                wide(one, units),
                f"{degrees(one.angle_rad):.0f}°",
                to_lay,
                f"{one.contrast:+.1f}",
                f"{one.log_nfa:.1f}",
                *((_change(one),) if changed else ()),
                f"{how_sure(one)}, {one.tone}",
            )
        )
    more = len(face.scratches) - _MOST
    return [*table(tuple(heads), rows), *([f"  ... and {more} more, in the JSON."] if more > 0 else [])]


def _expanded(one: "Scratch", units: Units) -> str:
    if one.ends_std_mm is None:
        return ""
    value = COVERAGE_FACTOR * length_std(one)
    return f"{value / 25.4:.3f}" if units == "in" else f"{value:.1f}"


def _change(one: "Scratch") -> str:
    if one.change is None:
        return ""
    sure = "" if one.change_certainty is None else f" {100 * one.change_certainty:.0f} %"
    return f"{one.change}{sure}"


def _earlier(face: "FinishFace", earlier: "Earlier", units: Units) -> list[str]:
    count = {word: sum(one.change == word for one in face.scratches) for word in ("new", "unchanged")}
    gone = [one for one in earlier.gone if one.change == "gone"]
    lost = len(earlier.gone) - len(gone)
    lines = [
        f"{count['new']} new, {len(gone)} gone, {count['unchanged']} unchanged. Unchanged is only said of "
        "what could be found in both photos."
    ]
    for one in gone[:_MOST]:
        size = "" if one.length_mm is None else f" of {one.length_mm:.1f} mm"
        lines.append(f"Gone from the {one.region}: a scratch{size}, {100 * one.certainty:.0f} % sure.")
    if lost:
        lines.append(f"{lost} of the earlier photo can't be told: they couldn't be found now.")
    if earlier.outline_rms_mm is not None:
        lines.append(f"The two outlines lie within {earlier.outline_rms_mm:.2f} mm of each other (rms).")
    return [f"Against the earlier photo {earlier.photo_name}", *listed(lines)]


def _reservations(finish: "Finish") -> list[str]:
    lines = flagged([("check", finish.flags), *((face_name(face), face.flags) for face in finish.faces)])
    for face in finish.faces:
        names = dict.fromkeys(one.name for one in face.excluded)
        if names:
            lines.append(f"{face_name(face)}: not searched: {', '.join(names)}.")
    return listed(lines)


def _assumed(finish: "Finish", verdict: "FinishVerdict") -> list[str]:
    accepted = "no scratch" if verdict.limits == NO_SCRATCH else ", ".join(map(str, verdict.limits))
    false = max((face.false_finds for face in finish.faces), default=1.0)
    return [
        f"Accepted on each face: {accepted}.",
        f"Texture alone passes for {false:g} scratches per face in the mean. A scratch counts as "
        "sure if texture alone makes one as striking on at most 1 of 20 such faces; log NFA is the decimal "
        "logarithm of the number expected.",
        "Found from: length from which a scratch off the lay, two pixels wide and as strong as told in units "
        "of the texture's own scatter, is found in nine of ten cases. Fainter and shorter ones may be there.",
        f"U is the expanded uncertainty, k = {COVERAGE_FACTOR:.0f}. A width below the photo's pixel isn't "
        "told, and no photo knows a scratch's depth.",
    ]


def _numbers(numbers: tuple[int, ...]) -> str:
    """Write numbers with their runs drawn together, as in ``Numbers 1-12, 16``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    word = "Number" if len(numbers) == 1 else "Numbers"
    return f"{word} " + ", ".join(
        str(a) if a == b else f"{a}{', ' if b == a + 1 else '-'}{b}" for a, b in runs
    )
