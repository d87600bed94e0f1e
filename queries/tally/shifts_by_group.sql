with
hand as (
    select
        transition_id,
        coalesce(shift_probability, 0) as shift,
        coalesce(chance_probability, 0) as chance,
    from base.transition_hand
    where speed_rank = 1
),
moved as (
    select
        member.grouping,
        member.group_key,
        count(distinct transition.take_id) as takes,
        total(member.weight) as transitions,
        total(member.weight * hand.shift) as shifts,
        total(member.weight * hand.chance) as chances,
        total(if(transition.has_slide, member.weight * hand.chance, 0)) as heard,
        total(if(transition.is_slurred, member.weight * hand.chance, 0)) as slurred_chances,
        total(if(transition.is_slurred and transition.has_slide, member.weight * hand.chance, 0)) as slurred_heard,
    from fact.transition
    join hand
        on hand.transition_id = transition.transition_id
    join tally.take_in_group as member
        on member.take_id = transition.take_id and member.player_id is not distinct from transition.player_id
    where member.grouping in ('player', 'school', 'period')
    group by member.grouping, member.group_key
)
select
    moved.* exclude (slurred_chances, slurred_heard),
    chances - heard as silent,
    heard / nullif(chances, 0) as share_heard,
    slurred_chances,
    slurred_heard,
    slurred_heard / nullif(slurred_chances, 0) as share_slurred_heard,
from moved
