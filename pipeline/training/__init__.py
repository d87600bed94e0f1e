"""How are the small learned parts learned anew? From sides rendered with our own voices, and from fingerings.

One command does it all: ``python -m pipeline.training``. Weights lie beside the code that uses them, each with a record
of what it was learned from and how it did on sides held back. Nothing else imports this.
"""
