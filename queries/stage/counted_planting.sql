select
    recovery.recovery_id,
    recovery.transfer_id,
    recovery.duration_ms,
    recovery.interval_cents / 100 as semitones,
    recovery.kind <> 'same_finger' as broken,
    recovery.found,
    recovery.found_duration_ms,
from base.recovery
where recovery.transfer_id in (select counted_span.transfer_id from stage.counted_span)
