"""The demo: an invented corpus, its audio made on the spot, everything run, and found set against planted.

Called ``demonstration`` because ``pipeline.demo`` is the function.

Door: ``run.demo``.
"""
