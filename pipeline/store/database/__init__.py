"""The corpus database: built from the tables, read without being able to change it, traced, and compared."""
