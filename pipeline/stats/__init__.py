"""How sure is a rate, a comparison, an effect? Arrays and small frames in, numbers with intervals out.

The unit that is resampled or summed over is always a cluster (session, player), never a slide. Rates are of slides by
exposure (minutes or transitions). Each module names its method's source and, where it was simulated, its coverage;
constants have their reason beside them as in ``pipeline.signal``.

Doors: ``rates.rate_interval`` (one rate by clusters), ``estimates`` (rates of many groups at once), ``whose_rate``
(music as recorded, average and typical player), ``change``, ``regression``, ``repertoire``, ``resemblance``
(comparisons), ``agreement`` and ``detection`` (listening), ``planning``.
"""
