"""The step ``chords``: which strings does one bow sound at once?

Sound, speed and solo spans in; ``base.chord``, ``base.chord_note`` and ``base.chord_frame`` out, in both times. Where
chords are looked for is ``signal.chords``.

Doors: ``step.STEP``; ``rows.rows_of`` (rows of the tables from the chords found).
"""
