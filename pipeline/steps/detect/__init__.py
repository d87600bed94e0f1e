"""detect."""
