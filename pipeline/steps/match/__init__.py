"""The step ``match``: which written note of the work is each found note?

Notes of a take at its first speed, and the reference part of its work, in any key and with any cut. Pitches are MIDI
numbers, written places count from the bar. A person's ``place_decision`` wins. The model is ``signal.passages``.

Doors: ``step.STEP``; ``written.part_of`` (rows of a written part as a part to lay notes on).
"""
