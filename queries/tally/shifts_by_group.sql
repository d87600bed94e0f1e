with
moved as (
    select
        grouping,
        group_key,
        count(distinct take_id) as takes,
        total(weight) as transitions,
        total(shift) as shifts,
        total(chance) as chances,
        total(if(has_slide, chance, 0)) as heard,
        total(if(is_slurred, chance, 0)) as slurred_chances,
        total(if(is_slurred and has_slide, chance, 0)) as slurred_heard,
    from tally.shift_in_group
    group by grouping, group_key
)
select
    moved.* exclude (slurred_chances, slurred_heard),
    chances - heard as silent,
    heard / nullif(chances, 0) as share_heard,
    silent / nullif(chances, 0) as share_silent,
    slurred_chances,
    slurred_heard,
    slurred_heard / nullif(slurred_chances, 0) as share_slurred_heard,
from moved
