"""Keys written like "A minor": their tonics and scales as pitch classes."""

MAJOR = (0, 2, 4, 5, 7, 9, 11)  # semitones above the tonic
MINOR = (0, 2, 3, 5, 7, 8, 11)  # harmonic
TONICS = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


def tonic_of(key: str) -> int:
    """Pitch class of the tonic."""
    return TONICS.index(key.split()[0])


def steps_of(key: str) -> tuple[int, ...]:
    """The seven scale steps above the tonic (harmonic minor in minor)."""
    return MAJOR if key.split()[1] == "major" else MINOR


def scale_of(key: str) -> frozenset[int]:
    """Pitch classes of the scale; in minor with both sevenths."""
    steps = steps_of(key) if key.split()[1] == "major" else (*MINOR, 10)
    return frozenset((tonic_of(key) + step) % 12 for step in steps)


def pull_of(key: str) -> dict[int, float]:
    """How often a melody comes to each pitch class of the scale: the tonic most, then fifth and third."""
    pull = dict.fromkeys(sorted(scale_of(key)), 0.8)
    for step, weight in zip((0, 2, 4), (1.7, 1.2, 1.4), strict=True):
        pull[(tonic_of(key) + steps_of(key)[step]) % 12] = weight
    return pull
