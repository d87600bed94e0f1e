"""settle."""
