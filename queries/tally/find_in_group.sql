with
found as (
    select
        find.slide_id,
        find.transfer_id,
        find.take_id,
        find.player_id,
        take.player_key as cluster,
        take.weight,
        find.found_kind,
        coalesce(find.direction, 'unknown') as direction,
        find.semitones,
        find.duration_ms,
        find.interval_cents,
        find.transition_id is not null as is_on_transition,
        find.is_slurred,
        find.speed_state is distinct from 'unmeasurable' as is_timed,
    from stage.owned_slide as find
    join fact.take_tally as take
        on take.take_id = find.take_id and take.player_id is not distinct from find.player_id
    where find.origin = 'found'
)
select 'kind' as grouping, found_kind as group_key, found.* exclude (direction, semitones),
from found
union all by name
select
    'kind_and_direction' as grouping,
    found_kind || '/' || direction as group_key,
    found.* exclude (direction, semitones),
from found
union all by name
select
    'interval' as grouping,
    direction || '/' || semitones as group_key,
    found.* exclude (direction, semitones),
from found
where direction <> 'unknown'
