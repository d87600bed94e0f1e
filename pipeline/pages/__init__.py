"""Static pages: the report and the listening check."""
