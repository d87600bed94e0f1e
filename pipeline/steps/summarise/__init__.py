"""The step ``summarise``: rates with their intervals, comparisons, effects and agreement over the whole corpus.

It reads views of ``fact`` and ``tally`` and writes the tables of ``result``, one module each; the intervals themselves
are ``stats``. Levels are 95 %; where too few players or takes speak, cells are empty and a warning says so.

Doors: ``step.STEP``; ``results.result_tables`` (all these tables; rates get their intervals there).
"""
