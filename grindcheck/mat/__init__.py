"""The printed mat: what is on it (`spec`) and how it is drawn (`drawing`)."""
