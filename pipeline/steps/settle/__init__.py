"""The step ``settle``: the speed of every side of a session, with all readings and their reasons."""
