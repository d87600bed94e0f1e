select
    analysed_take.take_id,
    analysed_take.transfer_id,
    solo_span.player_id,
    solo_span.transfer_start_s,
    solo_span.transfer_end_s,
    (solo_span.end_s - solo_span.start_s) / 60 as minutes,
    analysed_take.speed_state,
from stage.analysed_take
join base.solo_span
    on solo_span.transfer_id = analysed_take.transfer_id and solo_span.take_id = analysed_take.take_id
where solo_span.counted
