"""Audio files of any kind (WAV, FLAC, MP3, M4A and more): decoded whole or refused with the reason, and hashed.

``decoders`` is where every file is opened and every kind is decoded, by libsndfile or codecpod; the other modules only
count what a file holds (``chunks``, ``mpeg_frames``, ``mpeg4``, ``ogg``, ``tags``), so that none is cut in silence.
Samples are float32; a file is never written to. Sources: EBU Tech 3285 and 3306, ISO/IEC 11172-3, 13818-7 and 14496-12,
RFC 3533.

Doors: ``whole_sound.read_sound``, ``whole_sound.hash_and_sound``, ``decoders.opened``, ``claims`` (what files say of
themselves), ``corrected`` (writes corrected copies).
"""
