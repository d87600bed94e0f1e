"""How do new recordings, packages and verdicts come into the catalogue without losing a cell or a hand edit?

Sheets are read forgivingly, rows are drafted and shown before they are written; what fits no column goes into a note.
Ids are given once and never change. All is written by one change (``files.changes``), or nothing.

Doors: ``add.add``, ``new.new``, ``merge`` (a colleague's package), ``reviews.take_in`` (verdicts and marks).
"""
