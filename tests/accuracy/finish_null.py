"""How many finds pure noise gives: the one factor of the number of false alarms, counted.

    python tests/accuracy/finish_null.py [--small 200] [--large 50] [--texture white]

White noise is searched at 512² and 1024² with a setting of many false finds, and the finds beyond a threshold
u are counted. ``log_nfa`` says that there are PLACES · area · u² · exp(−u²/2) of them; the counts tell PLACES
at each threshold, with the standard error of a Poisson count. The value in ``grindcheck.finish.evidence`` is
the one for which the counts at the thresholds of one false find in a face of 1 and of 12 MP agree best.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
from finish_textures import LAID, TEXTURES

from grindcheck.finish.search import find_lines
from grindcheck.finish.tail import PLACES, log_nfa

STEPS = np.arange(4.6, 6.01, 0.2)  # thresholds; the search itself is asked for the lowest


def sizes(texture: str, side: int, count: int, seed: int) -> tuple[np.ndarray, float]:
    """How far each find stands out, in all fields together, and their pixels."""
    found: list[float] = []
    mask = np.ones((side, side), bool)
    for field in range(count):
        grey = TEXTURES[texture](np.random.default_rng([seed, side, field]), (side, side))
        asked = float(10.0 ** log_nfa(STEPS[:1], side * side)[0])
        scan = find_lines(grey, mask, lay_rad=0.0 if texture in LAID else None, false_finds=asked)
        found += [abs(line.sigmas) for line in scan.lines]
    return np.array(found), float(count * side * side)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--small", type=int, default=200, help="fields of 512²")
    parser.add_argument("--large", type=int, default=50, help="fields of 1024²")
    parser.add_argument("--texture", choices=sorted(TEXTURES), default="white")
    parser.add_argument("--seed", type=int, default=20_000)
    asked = parser.parse_args()
    print(f"PLACES is {PLACES}; {asked.texture}")
    for side, count in ((512, asked.small), (1024, asked.large)):
        if not count:
            continue
        found, area = sizes(asked.texture, side, count, asked.seed)
        print(f"{count} fields of {side}²")
        print("   u   finds  PLACES   ±")
        for u in STEPS:
            number = int(np.sum(found >= u))
            unit = area * u**2 * np.exp(-0.5 * u**2)
            print(f"  {u:.1f}  {number:5d}  {number / unit:6.3f}  {max(number, 1) ** 0.5 / unit:.3f}")


if __name__ == "__main__":
    main()
