"""Paths that stay inside the corpus, and the lock that lets one run at a time write."""
