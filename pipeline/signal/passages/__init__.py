"""Where in the written music does each found note stand?

A part is laid down as it is on paper: events (notes struck together are one) in order, repeats not played out, and the
ways on that are written (repeats, endings, da capo). Found notes are pitches (MIDI numbers) and beginnings (s) at the
right speed. A take may be in another key, leave out repeats or bars, begin with music that is not in the part,
decorate, and swing in tempo.

Every found note is the work of a hidden state: struck as an event, an extra note beside one, or outside the part. The
likeliest path and the probability of each place are exact (Rabiner, Proceedings of the IEEE 77, 1989); hidden Markov
models for performances with skips and repeats: Nakamura, Nakamura, Saito, Ono and Sagayama, Journal of New Music
Research 43, 2014.

Doors: ``lay.lay`` (a take laid on a part), ``line.heard_in_line`` (events without a note), ``part.Part`` (the part).
"""
