"""Records for tests: small photos made on the spot, and outcomes as a check would make them."""

import io
from datetime import UTC, datetime
from typing import Any

import numpy as np
from PIL import Image

from grindcheck.record import checks, knives, vault
from grindcheck.record.entries import Check, Knife, KnifeFacts, Outcome, StoredPhoto
from grindcheck.record.opening import Record


def jpeg(seed: int = 0, *, size: tuple[int, int] = (40, 30), exif: bytes = b"") -> bytes:
    """Make a small JPEG that differs by its seed."""
    pixels = np.random.default_rng(seed).integers(0, 256, (size[1], size[0], 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=80, exif=exif)
    return out.getvalue()


def photo(record: Record, seed: int = 0) -> StoredPhoto:
    """Keep a small JPEG."""
    return vault.add_photo(record, io.BytesIO(jpeg(seed)), name=f"{seed}.jpg")


def knife(record: Record, name: str = "petty 1", **facts: Any) -> Knife:
    return knives.add_knife(record, KnifeFacts(name=name, **facts))


def pair(record: Record, of: Knife, first: int = 0, **options: Any) -> Check:
    """Ask for a symmetry check of two small photos."""
    photos = [(photo(record, first + place).sha256, f"face {first + place}.jpg", "face") for place in (0, 1)]
    asked = {"thickness_mm": 4.0, **options.pop("asked", {})}
    return checks.add_check(record, of.id, "symmetry", photos=photos, asked=asked, **options)  # type: ignore[arg-type]


def done(verdict: str = "match", value: float = 0.1, std: float = 0.02, **result: Any) -> Outcome:
    """Make an outcome with one difference."""
    figure = {"quantity": "plunge.mid", "value": value, "std": std, "unit": "mm", "expanded": 2 * std}
    return Outcome(
        at=datetime.now(UTC),
        state="done",
        verdict=verdict,
        headline=f"The plunge differs by {value} mm.",
        result={
            "verdict": verdict,
            "differences": [{**figure, "tolerance": 0.25, "decision": verdict}],
            **result,
        },
        program_version="0.1.0",
    )


def failed(**changes: Any) -> Outcome:
    values: dict[str, Any] = {
        "error": "No mat is seen.",
        "advice": "Lay the blade on the mat.",
        "error_photo": 1,
    }
    return Outcome(at=datetime.now(UTC), state="failed", program_version="0.1.0", **{**values, **changes})


def filled(record: Record) -> Knife:
    """Put one knife of every kind of entry into a record, and a second one with little."""
    made = knife(
        record, "petty № 7 😀", steel="14C28N", thickness_mm=4.0, notes="=1+1\n@bench", private=("notes",)
    )
    stage = knives.add_stage(record, made.id, "heat treated", "in the small oven")
    note = knives.add_note(
        record, made.id, "heat treatment", {"soak": "10 min", "cycles": [2, 2.5]}, stage_id=stage.id
    )
    knives.correct_note(record, note.id, {"soak": "12 min", "cycles": [2, 2.5], "quench": None})
    knives.correct_knife(record, made.id, KnifeFacts(name="petty № 7 😀", steel="14C28N, batch 3"))
    first = pair(record, made, 0, stage_id=stage.id)
    checks.add_outcome(record, first.id, done("mismatch", -0.6))
    again = pair(record, made, 0, again_of=first.id)
    checks.add_outcome(record, again.id, failed())
    pair(record, made, 1)
    checks.add_check(record, made.id, "photos", photos=[(photo(record, 5).sha256, "bench.jpg", "face")])
    knife(record, "+second")
    return made
