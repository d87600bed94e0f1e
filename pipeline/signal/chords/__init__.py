"""Which strings does one bow sound at once, when, and what only rings on?

A *chord* is two to four strings under one bow at once, however short; *ringing* is sound after the bow has left its
string. Times are seconds of the transfer and pitches are hertz as the transfer plays them, as in ``line``.

Candidates are the highest places of a comb of partials; boosted trees judge each by itself, first whether it sounds,
then, among the others that do, whether it is bowed or rings; of those bowed, the likeliest set that one hand can stop
on neighbouring strings stands. Notes are then followed by those of their partials that meet no other note's. What is
learned stands in ``chord_trees.npz`` with its record ``chord_trees.json``.

Doors: ``find.find_chords`` (samples in, ``Chord`` out).
"""
