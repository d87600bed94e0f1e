"""A finger and a string as every table and page writes them, finger first, so that no stop looks like a note."""

from pipeline.instruments import THUMB

STOPS_EXPLAINED = "2A is the second finger on the A string, TA the thumb, 0A the open string; notes are written A2."


def stop_words(string: str | None, finger: int | None) -> str:
    """A stop as written: 3D, the third finger on the D string; what is not told of it is left out."""
    return finger_word(finger) + (string or "")


def finger_word(finger: int | None) -> str:
    """A finger as written: T for the thumb, nothing where none is told."""
    return "" if finger is None else "T" if finger == THUMB else str(finger)
