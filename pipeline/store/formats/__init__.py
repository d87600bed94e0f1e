"""Formats for others: codebook, data package, Stata and SPSS, JAMS, MusicXML, W3C PROV; printed parts read in."""
