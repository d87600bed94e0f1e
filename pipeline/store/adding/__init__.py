"""New recordings into the catalogue: sheets understood, rows drafted, ids given, packages merged, verdicts taken in."""
