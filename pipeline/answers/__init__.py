"""What people ask of a corpus that has been run: views, passages, traces, error rates, sound, exports.

Doors: ``open_corpus.open_corpus`` (Python), and one module for each question that a command or page asks.
"""
