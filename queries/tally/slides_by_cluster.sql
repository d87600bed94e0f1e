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
hit as (
    select
        grouping,
        group_key,
        cluster,
        total(weight * timed) as timed_slides,
        total(weight * slid) as slid_transitions,
        total(weight * slurred) as slurred_slid_transitions,
    from tally.find_in_group
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
