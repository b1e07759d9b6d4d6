"""Sample knives for a look round: a small workshop's petties and field knives for a canteen."""

from dataclasses import dataclass
from pathlib import Path

from grindcheck.printscale import save_print_scale
from grindcheck.record import checks, knives, vault
from grindcheck.record.entries import KnifeFacts, Role
from grindcheck.record.opening import Record
from grindcheck.selfcheck import sample_folder

_SABRE_MM = 3.96875  # 5/32 in
_CANTEEN = "canteen, batch of spring"


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A sample knife.

    Parameters
    ----------
    facts : KnifeFacts
    stages : tuple of str
        Reached before the checks.
    pair : str
        Name of its sample pair; empty for none.
    faces : tuple of str
        File names of a finish check.
    before : str
        File name of an earlier photo of the face; empty for none.
    """

    facts: KnifeFacts
    stages: tuple[str, ...] = ()
    pair: str = ""
    faces: tuple[str, ...] = ()
    before: str = ""


def _facts(name: str, pattern: str, steel: str, thickness_mm: float) -> KnifeFacts:
    return KnifeFacts(
        name=name, pattern=pattern, steel=steel, thickness_mm=thickness_mm, buyer_reference=_CANTEEN,
        private=("buyer_reference",),
    )  # fmt: skip


EXAMPLES = (
    Example(
        facts=_facts("Petty 12", "petty", "1.2519", 2.2),
        stages=("profiled", "heat treated", "bevels ground"),
        pair="petty_a",
        faces=("face_again_2.jpg",),
        before="face_again_1.jpg",
    ),
    Example(
        facts=_facts("Field knife 3", "field knife", "1.2842", _SABRE_MM),
        stages=("profiled", "heat treated"),
        pair="field_knife_b",
    ),
    Example(
        facts=_facts("Field knife 2", "field knife", "1.2842", _SABRE_MM),
        stages=("profiled", "heat treated", "bevels ground"),
        faces=("face_leftover.jpg",),
    ),
    Example(
        facts=_facts("Field knife 1", "field knife", "1.2842", _SABRE_MM),
        stages=("profiled", "heat treated", "bevels ground"),
        pair="field_knife_a",
    ),
)
"""The oldest first."""


def fill(record: Record, folder: Path | None = None) -> None:
    """Put the sample knives into a record; their checks wait to be measured, as a maker's own do.

    Parameters
    ----------
    record : Record
    folder : Path, optional
        With the sample photos; default: beside the program or in the current folder.

    Raises
    ------
    InputError
        If the photos aren't there.
    """
    folder = folder or sample_folder()
    save_print_scale("a4", 276.44, 179.80)  # as the README's first command
    for one in EXAMPLES:
        knife = knives.add_knife(record, one.facts)
        for stage in one.stages:
            knives.add_stage(record, knife.id, stage)
        if "heat treated" in one.stages:
            fields = {"hardening": "810 °C", "soak": "10 min", "quench": "oil", "temper": "2 × 2 h at 190 °C"}
            knives.add_note(record, knife.id, "heat treatment", fields)
        asked = {"thickness_mm": one.facts.thickness_mm}
        if one.pair:
            names = [f"{one.pair}_{number}.jpg" for number in (1, 2)]
            checks.add_check(
                record, knife.id, "symmetry", photos=_kept(record, folder, names, "face"), asked=asked
            )
        if one.faces:
            knives.add_stage(record, knife.id, "finished")
            photos = _kept(record, folder, one.faces, "face")
            photos += _kept(record, folder, [one.before] if one.before else [], "before")
            checks.add_check(record, knife.id, "finish", photos=photos, asked=asked)


def _kept(
    record: Record, folder: Path, names: "tuple[str, ...] | list[str]", role: Role
) -> list[tuple[str, str, Role]]:
    return [(vault.add_photo(record, folder / name).sha256, name, role) for name in names]
