"""Renders sides with exact truth from our own additive voices, to train on and to test with.

A plan says what is played (``plan``, made by ``plans``); ``curve`` turns it into pitch and loudness over time,
``voice`` and ``piano`` into sound, ``degrade`` into an old disc, ``speedplan`` into a transfer at a wrong speed. Truth
is kept in the transfer's time as well as in the plan's. Renders flatter: every accuracy shown on them is also asked of
real sound.

Doors: ``plans.random_plan``, ``render.render_side``.
"""
