"""The result told: as text, as data and as a picture."""
