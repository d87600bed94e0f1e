select
    transition_id,
    transfer_id,
    take_id,
    from_note_id,
    to_note_id,
    interval_cents,
    if(interval_cents > 0, 'rising', 'falling') as direction,
    round(abs(interval_cents) / 100)::bigint as semitones,
    gap_ms,
    slurred_probability,
    coalesce(slurred_probability > 0.5, false) as is_slurred,
    slide_score,
from base.transition
anti join stage.apart_by_chord
    using (from_note_id, to_note_id)
where exposure
