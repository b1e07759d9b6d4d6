"""Compare the two faces of a ground blade from two phone photos on a printed mat."""

__version__ = "0.1.0"
