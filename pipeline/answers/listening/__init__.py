"""Listening checks: what to draw, how many, and what the verdicts say of the finds and of the listeners."""
