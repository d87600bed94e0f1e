"""database."""
