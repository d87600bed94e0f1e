"""The step ``chords``."""
