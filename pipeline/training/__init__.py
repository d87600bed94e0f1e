"""Training of the small learned parts, from sides rendered with our own additive voices."""
