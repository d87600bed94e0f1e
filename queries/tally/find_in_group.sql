with
found as (
    select
        find.found_kind,
        coalesce(find.direction, 'unknown') as direction,
        find.semitones,
        take.player_key as cluster,
        take.weight,
        count(*) as found,
        count(*) filter (where find.speed_state is distinct from 'unmeasurable') as timed,
        count(find.transition_id) as slid,
        count(find.transition_id) filter (where find.is_slurred) as slurred,
    from stage.owned_slide as find
    join fact.take_tally as take
        on take.take_id = find.take_id and take.player_id is not distinct from find.player_id
    where find.origin = 'found'
    group by all
)
-- By the kind that was found: that of listeners may be another.
select 'kind' as grouping, found_kind as group_key, cluster, weight, found, timed, slid, slurred,
from found
union all
select 'kind_and_direction', found_kind || '/' || direction, cluster, weight, found, timed, slid, slurred,
from found
union all
select 'interval', direction || '/' || semitones, cluster, weight, found, timed, slid, slurred,
from found
where direction <> 'unknown'
