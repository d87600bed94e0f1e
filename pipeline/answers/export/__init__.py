"""The folder that goes out to colleagues: tables, codebook, and a methods text made from what was used."""
