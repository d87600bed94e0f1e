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
        total(if(is_timed, weight, 0)) as timed_slides,
        total(weight) as slides,
        total(if(is_slurred, weight, 0)) as slurred_slides,
    from tally.slide_in_group
    where grouping in ('kind', 'kind_and_direction', 'interval')
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
    coalesce(hit.slides, 0) as slides,
    if(kind.grouping = 'interval', coalesce(chance.transitions, 0), whole.transitions) as transitions,
    coalesce(hit.slurred_slides, 0) as slurred_slides,
    if(kind.grouping = 'interval', coalesce(chance.slurred_transitions, 0), whole.slurred_transitions)
        as slurred_transitions,
    false as is_assumed,
-- A player without such a slide counts with none.
from kind
cross join whole
left join hit
    on hit.grouping = kind.grouping and hit.group_key = kind.group_key and hit.cluster = whole.cluster
left join tally.chance_by_interval as chance
    on kind.grouping = 'interval' and chance.group_key = kind.group_key and chance.cluster = whole.cluster
