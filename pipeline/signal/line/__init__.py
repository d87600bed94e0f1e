"""line."""
