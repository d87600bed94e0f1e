"""What must the hand have done? Strings, fingers and positions of notes and slides, each with its probability.

Pitches are corrected semitones (MIDI numbers); a place is the number of semitones above the open string at which the
first finger lies, a position its name in handbooks. Finger 0 is the open string.

A note's stops, the moves between them and what is heard (slides and their kinds, silence, vibrato, bow changes) make a
chain over the passage, solved exactly by forward-backward (Rabiner, Proceedings of the IEEE 77, 1989).

Doors: ``passage.reconstruct`` (a take), ``one_slide.ways_of_slide`` (one slide by itself), ``fingerboard`` (what one
hand can stop).
"""
