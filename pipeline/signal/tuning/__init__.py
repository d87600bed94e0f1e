"""tuning."""
