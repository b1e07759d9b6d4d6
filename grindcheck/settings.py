"""Numbers that may be argued about, each with its unit and its reason."""

from math import radians

COVERAGE_FACTOR = 2.0
"""k of the expanded uncertainty U = k · std: about 95 % for a normal error (JCGM 100, 6.3.3)."""

PLUNGE_TOLERANCE_MM = 0.25
"""What a steel rule shows by eye is ± 0.25 mm; common practice, no source."""

HEIGHT_TOLERANCE_MM = 0.25
"""As for the plunge."""

ANGLE_TOLERANCE_RAD = radians(1.0)
"""1° over a bevel 15 mm high is 0.26 mm, so it goes with the tolerance of the place."""

EDGE_MM = 0.5
"""Edge thickness before sharpening when none is told; common practice, no source."""

THINNEST_STOCK_MM = 0.8
"""Below this no knife stock is sold; 3/16 read as millimetres is 0.19 mm. Common practice, no source."""

THICKEST_STOCK_MM = 13.0
"""Half an inch is 12.7 mm; above this no knife stock is sold. Common practice, no source."""

THIN_EDGE_MM = 0.25
"""An edge ground thinner than this before sharpening burns and ripples; common practice, no source."""

THICKEST_EDGE_MM = 3.0
"""No bevel leaves an edge thicker than this; own estimate."""

TALLEST_FLAT_MM = 60.0
"""Stock plus one handle scale stays far below this height over the paper; own estimate."""

MOST_FALSE_FINDS = 100.0
"""More false finds on a face than this and the true ones drown; own estimate."""

WIDEST_TOLERANCE_MM = 10.0
"""A tolerance beyond this is a slip of the unit; own estimate."""

FALSE_FINDS = 0.1
"""Scratches that texture alone may feign on a face, in the mean. The promise holds for a texture that is the
same all over; light, reflections and dents of a real face add some, so few are asked for. Own estimate."""
