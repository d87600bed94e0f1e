"""The folder that goes out to colleagues: tables, codebook, and a methods text made from what was used.

It is complete without this program: CSV, Parquet and what was asked for besides, a data package, scripts for R and
Python, and how to cite. Private transfers stay out. Nothing in it hangs on the clock: the same corpus gives the same
bytes.

Doors: ``folder.export``, ``earlier.compare`` (what has changed since an export), ``methods`` (the words).
"""
