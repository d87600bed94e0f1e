"""speed."""
