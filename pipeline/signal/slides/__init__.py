"""Where does the pitch slide from note to note, how, and in what kind of slide?

Everything here is corrected: seconds of the side at its right speed, pitches in semitones (MIDI numbers; A4 is 69). A
transition is a change from one held note to the next; a slide is a transition whose pitch can be heard to move. Kinds
are named in ``pipeline.kinds``. Where a slide starts and ends is told by ``bounds``: as it is heard, not as the hand
does.

Notes come from the cheapest of all cuts of the line (Bellman, Communications of the ACM 4, 1961). Every transition is
fitted by each way of getting there (the logistic glide: Yang, Chew and Rajab 2015); boosted trees judge the fits, or
plain rules where they are asked for. Audibility: 't Hart, Collier and Cohen, A Perceptual Study of Intonation, 1990.

Doors: ``detect.find_notes_and_slides`` (line in; notes, transitions and slides out), ``bowing.begins`` (how notes
begin).
"""
