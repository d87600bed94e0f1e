"""What does a corpus look like, and what does a listener make of it? Static pages, opened from disk.

Nothing is fetched: text, pictures (SVG with text as text) and sound lie in the folder. Times are those of the corrected
side, pitches corrected semitones; ids and catalogue text are escaped by the templates.

Doors: ``report.report`` (overview and sides), ``listen.listen`` (a listening check), ``results.results_page``.
"""
