"""Notes are spelt as their key spells them. The spellings are those of scales in print, written down by hand."""

import pytest

from pipeline.answers.note_names import printed_name, spelling
from pipeline.store.parts.pitch import midi_of_name

# The harmonic chromatic scale upward from the tonic, in semitones from it.
SCALES = {
    "C minor": "C D♭ D E♭ E F F♯ G A♭ A B♭ B",
    "A major": "A B♭ B C C♯ D D♯ E F F♯ G G♯",
    "E flat major": "E♭ F♭ F G♭ G A♭ A B♭ C♭ C D♭ D",
    "C# minor": "C♯ D D♯ E E♯ F♯ F♯♯ G♯ A A♯ B B♯",
}


@pytest.mark.parametrize("key", SCALES)
def test_a_key_spells_its_twelve_notes(key: str) -> None:
    name = spelling(key)
    tonic = round(midi_of_name(SCALES[key].split()[0] + "4"))
    for semitones, expected in enumerate(SCALES[key].split()):
        said = name(tonic + semitones + 0.3)
        assert said[:-1] == expected
        assert midi_of_name(said) == tonic + semitones  # the octave is that of the letter: B♯3 sounds with C4


def test_where_no_key_is_known_one_spelling_is_used() -> None:
    assert [spelling(None)(midi) for midi in (61, 63, 66, 68, 70)] == ["C♯4", "E♭4", "F♯4", "A♭4", "B♭4"]
    assert printed_name("Bb3") == "B♭3"
    assert printed_name("F##5") == "F♯♯5"
