"""summarise."""
