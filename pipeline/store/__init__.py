"""Everything that touches the disk, a room for each job; no arithmetic on sound, no statistics.

``schema`` (what tables hold), ``files`` (safe changes, locks, paths), ``catalogue`` (hand-kept tables and their rules),
``checks``, ``adding`` (new recordings, packages, verdicts), ``parts`` (written music), ``audio`` (read only),
``database`` (built, asked, traced), ``formats`` (for others), ``analysis`` (scripts that go out with exports).

Doors: ``corpus.Corpus`` (a corpus folder and its tables), ``provenance.RunRow`` (how a table came about).
"""
