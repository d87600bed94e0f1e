"""The steps, from sound to rates: read tables, compute by ``signal`` and ``stats``, write tables.

A step sees its ``StepInput`` and nothing else, so that hashing that is enough to know when it must run again. ``order``
has them in order; a step with parts of its own is a room, whose module ``step`` holds the ``STEP``. Runnable without
Prefect.

Doors: ``order.STEPS``, ``base.Step`` (what a step is), ``scopes`` (what it runs on).
"""
