"""The corpus database: built from the tables, asked without being able to change it, traced, and compared.

Views are SQL in ``queries/``, built layer by layer over Parquet files that are compacted first. The same state gives
the same bytes. Questions are attended: they have bounds of rows and memory, and end at Ctrl-C.

Doors: ``build.build_database``, ``read`` (rows of a view, SQL), ``trace`` (from a number back to the disc).
"""
