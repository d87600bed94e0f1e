with
moved as (
    select
        period.scheme as scheme,
        period.period_id as period_id,
        sum(tally.weight * period.share) as transitions,
        coalesce(sum(tally.weight * period.share * hand.shift_probability), 0) as shifts,
        coalesce(sum(tally.weight * period.share * hand.chance_probability), 0) as chances,
        coalesce(sum(tally.weight * period.share * hand.chance_probability) filter (where transition.has_slide), 0) as heard,
        coalesce(sum(tally.weight * period.share * hand.chance_probability) filter (where transition.is_slurred), 0) as slurred_chances,
        coalesce(sum(tally.weight * period.share * hand.chance_probability) filter (where transition.is_slurred and transition.has_slide), 0) as slurred_heard,
        count(distinct transition.take_id) as takes,
    from fact.transition
    join base.transition_hand as hand
        on hand.transition_id = transition.transition_id and hand.speed_rank = 1
    join fact.take_tally as tally
        on tally.take_id = transition.take_id and tally.player_id is not distinct from transition.player_id
    join fact.take_period as period
        on period.take_id = transition.take_id
    group by period.scheme, period.period_id
)
select
    moved.scheme,
    moved.period_id,
    coalesce(period.name, moved.period_id) as period,
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
left join base.period
    on period.period_id = moved.period_id
