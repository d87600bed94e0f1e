"""The step ``match``: which written note of the work each found note is."""
