"""How sharp or flat does a side run, and how does that change along it? Its tuning curve modulo a semitone.

Times are seconds of the transfer; deviations are cents from the nearest equal-tempered semitone of A4 = 440 Hz, so
they are known up to whole semitones only: which semitone is the question of ``pipeline.signal.speed``.

Steady notes of the solo and steady partials of the accompaniment are laid on one penalised spline in which every tone
has an error of its own; its smoothness comes from restricted likelihood, its standard error from the posterior
(Nychka, Journal of the American Statistical Association 83, 1988); outliers count by a bounded loss (after Huber
1967). Sudden changes and once-per-turn wow are taken in where the side speaks for them.

Doors: ``measure.measure_side`` (line and samples in, ``MeasuredSide`` out), ``curve.tuning_curve``, ``hum.hum_lines``.
"""
