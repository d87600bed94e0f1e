with
summed as (
    select
        grouping,
        group_key,
        notes,
        count(distinct take_id) as takes,
        count(distinct player_id) as players,
        total(weight) as chords,
        total(if(is_broken, weight, 0)) as broken,
        total(if(not is_broken, weight, 0)) as together,
        total(if(is_broken is null, weight, 0)) as cannot_tell,
    from tally.chord_in_group
    group by grouping, group_key, notes
)
select
    summed.*,
    broken / nullif(broken + together, 0) as share_broken,
from summed
