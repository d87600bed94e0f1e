"""Notes of chords, bowed without vibrato and damped at their ends."""

from pipeline.training.chord_scenes import MixedNote


def bowed(midi: float, *, string: int, start_s: float, end_s: float) -> MixedNote:
    """A note that stops as its bow does."""
    return MixedNote(
        start_s=start_s,
        end_s=end_s,
        rings_s=end_s,
        midi=midi,
        string=string,
        level_db=0.0,
        vibrato_cents=0.0,
        vibrato_hz=6.0,
        attack_s=0.03,
        drop_db=60.0,
        fall_db_s=1000.0,
    )
