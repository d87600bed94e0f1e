"""What every side needs of ``signal``, loaded as this module is: for the process that workers are forked from.

A thread does not survive a fork, so nothing is loaded here that starts one, as Polars and Arrow do.
"""

import contextlib
import gc


def _load() -> None:
    gc.disable()  # nearly all that is loaded stays, and looking for what does not takes a tenth of the time
    from pipeline.signal.first_use import EACH_SIDE, PARTS, made_side

    made = made_side()
    for part in EACH_SIDE:
        # What fails here fails again, with its reason, where a side needs it.
        with contextlib.suppress(Exception):
            PARTS[part](made)
    # Nobody need look through it for garbage later, or write into its memory, which workers share.
    gc.collect()
    gc.freeze()
    gc.enable()


_load()
