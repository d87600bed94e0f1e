"""The same passage, many players: bars of a written part, and what each take does there.

Places are the steps from one written note to the next, bars as printed; what cannot be told at a place is said, not
counted.

Doors: ``gather.gather`` (part, takes, fingers and slides brought together), ``bars`` (what is typed for bars),
``words`` (it all in plain text).
"""
