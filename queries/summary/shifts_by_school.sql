with
moved as (
    select
        school.scheme as scheme,
        school.school_id as school_id,
        sum(tally.weight * school.share) as transitions,
        coalesce(sum(tally.weight * school.share * hand.shift_probability), 0) as shifts,
        coalesce(sum(tally.weight * school.share * hand.chance_probability), 0) as chances,
        coalesce(sum(tally.weight * school.share * hand.chance_probability) filter (where transition.has_slide), 0) as heard,
        coalesce(sum(tally.weight * school.share * hand.chance_probability) filter (where transition.is_slurred), 0) as slurred_chances,
        coalesce(sum(tally.weight * school.share * hand.chance_probability) filter (where transition.is_slurred and transition.has_slide), 0) as slurred_heard,
        count(distinct transition.take_id) as takes,
    from fact.transition
    join base.transition_hand as hand
        on hand.transition_id = transition.transition_id and hand.speed_rank = 1
    join fact.take_tally as tally
        on tally.take_id = transition.take_id and tally.player_id is not distinct from transition.player_id
    join fact.school_member as school
        on school.player_id is not distinct from transition.player_id
    group by school.scheme, school.school_id
)
select
    moved.scheme,
    moved.school_id,
    coalesce(school.name, 'in no school') as school,
    moved.takes,
    moved.transitions,
    moved.shifts,
    moved.chances,
    moved.heard,
    moved.chances - moved.heard as silent,
    moved.heard / nullif(moved.chances, 0) as share_heard,
    moved.slurred_chances,
    moved.slurred_heard,
    moved.slurred_heard / nullif(moved.slurred_chances, 0) as share_slurred_heard,
from moved
left join base.school
    on school.school_id = moved.school_id
