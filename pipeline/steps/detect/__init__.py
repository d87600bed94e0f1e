"""The step ``detect``: whose solo is each stretch, and where are its notes, changes of note and slides?

The pitch line is corrected by the speed first: times and pitches in tables are of the side at its right speed, with the
transfer's own beside them. What a person says of a passage wins over what is heard. Where a slide starts and ends is
``signal.slides``.

Doors: ``step.STEP``; ``solo_spans.solo_spans`` (whose solo a stretch is).
"""
