"""What does the soloist play, and when? The pitch line of the solo, out of noise and accompaniment.

Times are seconds of the transfer and pitches are hertz as the transfer plays them: the speed is not known yet. A frame
comes every 5.8 ms. Confidence is the probability that the pitch is the solo's own; voicing, that the solo sounds at
all.

Candidates are the highest places of a comb of partials; a small network judges each from the spectrum around it, two
more from the track that it continues; a hidden Markov chain finds the likeliest path (Rabiner, Proceedings of the IEEE
77, 1989); the partials then say where the pitch lies (parabola through the peak of a windowed spectrum: Harris,
Proceedings of the IEEE 66, 1978). When the notes are known, what lies between them is looked at again, for a note that
slides is faint and smeared. What is learned stands in ``weights.npz`` and ``glide_weights.npz``, with their records.

Doors: ``follow.follow`` (samples in, ``MelodyLine`` out), ``solo_parts.where_solo`` (which stretches are solo).
"""
