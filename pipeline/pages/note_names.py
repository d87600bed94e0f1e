"""Names of notes, as pages write them."""

_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")


def note_name(midi: float) -> str:
    """Scientific pitch name of the nearest note: A4 for 69."""
    nearest = round(midi)
    return f"{_NAMES[nearest % 12]}{nearest // 12 - 1}"
