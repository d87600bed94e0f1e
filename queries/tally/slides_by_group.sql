with
hit as (
    select
        grouping,
        group_key,
        total(weight) as slides,
        total(if(direction = 'rising', weight, 0)) as rising_slides,
        count(distinct take_id) as takes_with_slide,
        count(distinct player_id) as players_with_slide,
    from tally.slide_in_group
    where grouping in ('kind', 'kind_and_direction', 'interval')
    group by grouping, group_key
),
found as (
    select
        grouping,
        group_key,
        total(weight * found) as found_slides,
    from tally.find_in_group
    group by grouping, group_key
),
chance as (
    select
        'interval' as grouping,
        group_key,
        total(transitions) as transitions,
        total(slurred_transitions) as slurred_transitions,
    from tally.chance_by_interval
    group by group_key
)
select
    grouping,
    group_key,
    coalesce(found.found_slides, 0) as found_slides,
    coalesce(hit.slides, 0) as slides,
    coalesce(hit.takes_with_slide, 0) as takes_with_slide,
    coalesce(hit.players_with_slide, 0) as players_with_slide,
    hit.rising_slides / nullif(hit.slides, 0) as share_rising,
    chance.transitions,
    chance.slurred_transitions,
from hit
full join found using (grouping, group_key)
full join chance using (grouping, group_key)
