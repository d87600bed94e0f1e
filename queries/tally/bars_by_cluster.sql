select
    'bar' as grouping,
    bar_played.work_id || '/' || bar_played.bar_index as group_key,
    take.player_key as cluster,
    0::double as timed_slides,
    0::double as timed_minutes,
    0::double as slid_transitions,
    0::double as transitions,
    0::double as slurred_slid_transitions,
    0::double as slurred_transitions,
    total(take.weight * bar_played.slides) as bar_slides,
    total(take.weight) as bars,
    false as is_assumed,
from fact.bar_played
join fact.take_tally as take
    on take.take_id = bar_played.take_id and take.player_id is not distinct from bar_played.player_id
group by bar_played.work_id, bar_played.bar_index, take.player_key
