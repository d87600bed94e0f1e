"""The same passage, many players: bars of a written part, and what each take does there.

``bars`` reads what is typed for bars, ``gather`` brings together part, takes, fingers and slides, ``words`` says it in
plain text.
"""
