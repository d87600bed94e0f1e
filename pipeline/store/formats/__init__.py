"""formats."""
