with
summed as (
    select
        grouping,
        group_key,
        coalesce(direction, 'unknown') as direction,
        total(weight) as slides,
        count(distinct take_id) as takes_with_slide,
        count(distinct player_id) as players_with_slide,
        total(if(kind = 'departing_finger', weight, 0)) as departing_finger,
        total(if(kind = 'arriving_finger', weight, 0)) as arriving_finger,
        total(if(kind = 'same_finger', weight, 0)) as same_finger,
        total(if(kind = 'two_finger', weight, 0)) as two_finger,
        total(if(kind = 'into_note', weight, 0)) as into_note,
        total(if(kind = 'cannot_tell', weight, 0)) as cannot_tell,
    from tally.slide_in_group
    where grouping in ('player', 'school', 'period')
    group by all
)
select
    summed.*,
    departing_finger / nullif(slides, 0) as share_departing_finger,
    arriving_finger / nullif(slides, 0) as share_arriving_finger,
    same_finger / nullif(slides, 0) as share_same_finger,
    two_finger / nullif(slides, 0) as share_two_finger,
    into_note / nullif(slides, 0) as share_into_note,
    cannot_tell / nullif(slides, 0) as share_cannot_tell,
from summed
