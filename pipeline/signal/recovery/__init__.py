"""How many slides would be found that are known to be there, in a side's own sound?

Known slides are planted between notes of the side's own solo (``planting``), and looked for again by the same follower
and detector (``search``). Times are in s of the transfer, pitches in semitones, levels in dB. So do surveys of the sky
learn what they miss (completeness by injected sources; common practice, no one source).

Door: ``search.recover``.
"""
