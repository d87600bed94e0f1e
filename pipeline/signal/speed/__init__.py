"""How fast should a side play? Readings of its speed, each with its probability, and what a correction does.

A correction is what must be added to a transfer's pitch, in cents; at a constant one, time shrinks by the same ratio.
``speed_map.SpeedMap`` carries times, pitches and slopes to the corrected side and back, in closed form.

A4 is a quantity with a width, not a list (``reference_pitch``); how far the notes as a whole lie beside it is judged
under several systems of intonation (``intonation``). So a speed has two intervals: given the reading (semitone and
A4), and over all readings weighed together.

Evidence is multiplied: the tuning curve; pitch classes against key profiles (Temperley, Music and Probability, 2007);
the lowest string, and open strings, which take no vibrato (Small, in Seashore, Psychology of Music, 1938); mains hum;
the usual speeds of time, place and label; the other sides of the session.

Doors: ``readings.candidates`` (one side), ``session.settle_together`` (a session), ``speed_map.SpeedMap``,
``resample.correct_samples``.
"""
