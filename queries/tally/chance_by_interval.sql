select
    transition.direction || '/' || transition.semitones as group_key,
    take.player_key as cluster,
    total(take.weight) as transitions,
    total(if(transition.is_slurred, take.weight, 0)) as slurred_transitions,
    total(if(transition.has_find, take.weight, 0)) as slid_transitions,
    total(if(transition.has_find and transition.is_slurred, take.weight, 0)) as slurred_slid_transitions,
from fact.transition
join fact.take_tally as take
    on take.take_id = transition.take_id and take.player_id is not distinct from transition.player_id
group by all
