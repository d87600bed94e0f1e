"""The step ``hand``: which strings and fingers for every note, slide and chord, and what do editions print there?

Each take is a line of its own, under each likely reading of the speed (``speed_rank`` 1 is the first). Probabilities
are kept, the likeliest way first; where none leads, the table says so (``cannot_tell``). The model is ``signal.hand``.

Doors: ``step.STEP``; ``rows.rows_of_take``, ``chords.chord_rows``, ``printed_chords.compared`` (a printed fingering
beside, chords too).
"""
