with
counted as (
    select
        take_id,
        player_id,
        direction,
        semitones,
        count(*) as transitions,
        count(*) filter (where is_slurred) as slurred_transitions,
        count(*) filter (where has_find) as slid_transitions,
        count(*) filter (where has_find and is_slurred) as slurred_slid_transitions,
    from fact.transition
    group by take_id, player_id, direction, semitones
)
select
    counted.direction || '/' || counted.semitones as group_key,
    take.player_key as cluster,
    total(take.weight * counted.transitions) as transitions,
    total(take.weight * counted.slurred_transitions) as slurred_transitions,
    total(take.weight * counted.slid_transitions) as slid_transitions,
    total(take.weight * counted.slurred_slid_transitions) as slurred_slid_transitions,
from counted
join fact.take_tally as take
    on take.take_id = counted.take_id and take.player_id is not distinct from counted.player_id
group by all
