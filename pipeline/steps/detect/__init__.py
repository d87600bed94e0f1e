"""The step ``detect``: whose solo each stretch is, and its notes, transitions and slides."""
