select
    chord.chord_id,
    counted_span.transfer_id,
    counted_span.take_id,
    counted_span.player_id,
    chord.transfer_start_s,
    chord.notes,
    chord.breaking,
    case
        when chord.breaking = 'together' then false
        when chord.breaking in ('from_below', 'from_above', 'other') then true
    end as is_broken,
from stage.counted_span
join base.chord
    on
        chord.transfer_id = counted_span.transfer_id
        -- As the last note before rings on while a chord begins, its middle decides.
        and (chord.transfer_start_s + chord.transfer_end_s) / 2 >= counted_span.transfer_start_s
        and (chord.transfer_start_s + chord.transfer_end_s) / 2 < counted_span.transfer_end_s
where counted_span.player_id is not null
