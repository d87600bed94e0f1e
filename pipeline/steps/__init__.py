"""Steps: read tables, compute, write tables; runnable without Prefect."""
