"""The step ``settle``: at what speed should each side of a session play, what else is possible, and why?

A correction is in cents, what is added to the transfer's pitch. Readings are ranked by probability and kept with their
reasons; a person's ruling (``speed_decision``) wins, and the estimate stays beside it. The model is ``signal.speed``.

Doors: ``step.STEP``; ``facts`` (what the catalogue says), ``sides`` (readings to tables), ``evidence_words`` (what
speaks for a reading, in words), ``remarks`` (what a reader should know).
"""
