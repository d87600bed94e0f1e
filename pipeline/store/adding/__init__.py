"""adding."""
