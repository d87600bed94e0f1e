"""The hand-kept tables: read, checked cell by cell, and the rules of the catalogue that others need.

Doors: ``tables.Catalogue`` (all tables, typed), ``recording`` (who plays the solo, on what, when),
``problems.Problem``.
"""
