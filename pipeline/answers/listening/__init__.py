"""Listening checks: what to draw, how many, and what the verdicts say of the finds and of the listeners.

A sample is drawn by strata with known probabilities, with and without finds in it; rates are per find or per minute of
solo. Doubtful verdicts are kept apart, never guessed.

Doors: ``draw.draw`` (a sample), ``plan.planned`` (how many are enough), ``error_rates.listening_results`` (what they
say), ``alike.alike`` (how far listeners agree), ``words`` (all this in words, and
where verdicts are too few to say).
"""
