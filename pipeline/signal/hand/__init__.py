"""hand."""
