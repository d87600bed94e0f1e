"""All of ``signal``, loaded as this module is: for the process that workers are forked from.

A thread does not survive a fork, so nothing is loaded here that starts one, as Polars and Arrow do.
"""

import contextlib
import gc

from pipeline.signal.first_use import HALVES, use

for half in HALVES:
    # What fails here fails again, with its reason, where a side needs it.
    with contextlib.suppress(Exception):
        use(half)
# What is loaded stays, so nobody need look through it for garbage, or write into its memory, which workers share.
gc.collect()
gc.freeze()
