"""export."""
