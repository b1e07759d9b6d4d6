"""How values read on the page."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from grindcheck.record.entries import STAGES as STAGES
from grindcheck.units import thou

VERDICTS = ("match", "mismatch", "clean", "scratched", "cannot tell", "failed")

_SIGNS = {
    "match": "yes", "clean": "yes", "mismatch": "no", "scratched": "no", "cannot tell": "unsure",
    "failed": "failed", "waiting": "waiting", "kept": "kept",
}  # fmt: skip
_KINDS = {"symmetry": "Both sides", "finish": "Finish", "photos": "Photos"}
_QUANTITIES = {
    "plunge.shoulder": "Plunge, upper end",
    "plunge.mid": "Plunge, mid-height",
    "plunge.edge": "Plunge, at the edge",
    "plunge.angle": "Plunge angle",
    "plunge.transition": "Width of the plunge",
    "bevel_height": "Bevel height",
    "bevel_angle": "Bevel angle",
    "shoulder.waviness": "Waviness of the shoulder",
}


def when(at: datetime) -> str:
    """Write a time in the shop's own zone, as ``25 Nov 2026, 15:06``."""
    here = at.astimezone()
    return f"{here.day} {here:%b %Y, %H:%M}"


def day(at: datetime) -> str:
    """Write a day."""
    here = at.astimezone()
    return f"{here.day} {here:%b %Y}"


def long(value: float, unit: str = "mm") -> str:
    """Write a length or angle, as ``0.62 mm`` or ``1.40°``."""
    return f"{value:.2f}°" if unit == "deg" else f"{value:.2f} mm"


def sigma(value: float, unit: str = "mm") -> str:
    """Write a standard uncertainty, with a digit more than `long`.

    Examples
    --------
    >>> sigma(0.0312), sigma(0.11, "deg"), sigma(0.0001)
    ('0.031 mm', '0.110°', '< 0.001 mm')
    """
    sign = "°" if unit == "deg" else " mm"
    return f"< 0.001{sign}" if value < 0.0005 else f"{value:.3f}{sign}"


def inches(value_mm: float) -> str:
    """Write a length in thousandths of an inch."""
    return f"{thou(value_mm):.0f} thou"


def signed(value: float, unit: str = "mm") -> str:
    """Write a difference with its sign, a true minus."""
    return f"{value:+.2f}".replace("-", "−") + ("°" if unit == "deg" else " mm")


def place(station: float | None, label: str = "") -> str:
    """Write where along the blade."""
    if station is None:
        return ""
    return f"{station:.0f} mm from the tip" + (f" ({label})" if label else "")


def one_of(table: Mapping[str, str]) -> Callable[[str], str]:
    """Make a filter of a table; what isn't in it is written as it is."""

    def named(name: str) -> str:
        return table.get(name, name)

    return named


def state_of(check: Any) -> str:
    """Return a check's verdict, or what it is instead of one."""
    if check.outcome is None:
        return "waiting"
    if check.outcome.state == "failed":
        return "failed"
    return str(check.outcome.verdict) or "kept"


FILTERS: dict[str, Callable[..., Any]] = {
    "when": when,
    "day": day,
    "long": long,
    "inches": inches,
    "signed": signed,
    "place": place,
    "sign": one_of(_SIGNS),
    "kind": one_of(_KINDS),
    "quantity": one_of(_QUANTITIES),
    "sigma": sigma,
    "state": state_of,
}
