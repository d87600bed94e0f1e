"""Prefect flows: scheduling, retries and display; no arithmetic and no file formats."""
