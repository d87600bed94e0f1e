with
whole as (
    select
        cluster,
        timed_minutes,
        transitions,
        slurred_transitions,
    from tally.takes_by_cluster
    where grouping = 'corpus'
),
found as (
    select
        find.found_kind,
        coalesce(find.direction, 'unknown') as direction,
        find.semitones,
        take.player_key as cluster,
        take.weight,
        count(*) filter (where find.speed_state is distinct from 'unmeasurable') as timed,
        count(find.transition_id) as slid,
        count(find.transition_id) filter (where find.is_slurred) as slurred,
    from stage.owned_slide as find
    join fact.take_tally as take
        on take.take_id = find.take_id and take.player_id is not distinct from find.player_id
    where find.origin = 'found'
    group by all
),
placed as (
    select 'kind' as grouping, found_kind as group_key, cluster, weight, timed, slid, slurred,
    from found
    union all
    select 'kind_and_direction', found_kind || '/' || direction, cluster, weight, timed, slid, slurred,
    from found
    union all
    select 'interval', direction || '/' || semitones, cluster, weight, timed, slid, slurred,
    from found
    where direction <> 'unknown'
),
hit as (
    select
        grouping,
        group_key,
        cluster,
        total(weight * timed) as timed_slides,
        total(weight * slid) as slid_transitions,
        total(weight * slurred) as slurred_slid_transitions,
    from placed
    group by grouping, group_key, cluster
),
kind as (
    select distinct
        grouping,
        group_key,
    from hit
    union
    select
        'interval' as grouping,
        group_key,
    from tally.chance_by_interval
)
select
    kind.grouping,
    kind.group_key,
    whole.cluster,
    coalesce(hit.timed_slides, 0) as timed_slides,
    whole.timed_minutes,
    coalesce(if(kind.grouping = 'interval', chance.slid_transitions, hit.slid_transitions), 0) as slid_transitions,
    -- A slide into a note stands on no transition, and has no chances that we count.
    case
        when kind.grouping = 'interval' then coalesce(chance.transitions, 0)
        when kind.group_key not like 'into_note%' then whole.transitions
        else 0
    end as transitions,
    coalesce(
        if(kind.grouping = 'interval', chance.slurred_slid_transitions, hit.slurred_slid_transitions), 0
    ) as slurred_slid_transitions,
    case
        when kind.grouping = 'interval' then coalesce(chance.slurred_transitions, 0)
        when kind.group_key not like 'into_note%' then whole.slurred_transitions
        else 0
    end as slurred_transitions,
    0::double as bar_slides,
    0::double as bars,
    false as is_assumed,
-- A player without such a slide counts with none.
from kind
cross join whole
left join hit
    on hit.grouping = kind.grouping and hit.group_key = kind.group_key and hit.cluster = whole.cluster
left join tally.chance_by_interval as chance
    on kind.grouping = 'interval' and chance.group_key = kind.group_key and chance.cluster = whole.cluster
