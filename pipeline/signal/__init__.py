"""Pure signal code: arrays in, arrays out. Knows no files, tables, logging or clocks.

A room for each question: what is played and when (``line``), how sharp it runs (``tuning``), at what speed it should
play (``speed``), where the pitch slides (``slides``), which strings sound at once (``chords``), what the hand did
(``hand``), where a note stands in the written music (``passages``), what is missed (``recovery``); ``synth`` renders
sides to learn from and test with. Rooms hardly know each other: ``tests/test_layers.py`` lists the doors between them.

A constant has its reason beside it: a work with its year, what was tried, or "common practice, no source". One that
only says what it is follows from others, or is common practice without a source.
"""
