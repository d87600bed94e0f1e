"""Formats for others: codebook and dictionary, data package, Stata and SPSS, JAMS, MusicXML, W3C PROV.

Values are those of the tables; limits of a format (lengths of names, kinds of nulls) are met openly and noted. Sources:
Frictionless Data Package 1, JAMS 0.3, MusicXML 4.0, W3C PROV-N and PROV-JSON.

Doors: one module a format, each with a function that writes it.
"""
