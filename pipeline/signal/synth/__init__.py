"""Renders sides with exact truth from our own additive voices."""
