"""Audio files: decoded whole or refused with the reason, hashed, and what they say of themselves.

Doors: ``decode.read_sound``, ``decode.hash_and_sound``, ``claims``, ``corrected`` (writes corrected copies).
"""
