"""slides."""
