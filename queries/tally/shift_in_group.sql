with
-- What the hand did is told under each likely reading of the speed; here they are weighed together.
weighed as (
    select
        transition_id,
        total(speed_share * coalesce(shift_probability, 0)) as shift_probability,
        total(speed_share * coalesce(chance_probability, 0)) as chance_probability,
    from base.transition_hand
    group by transition_id
)
select
    member.grouping,
    member.group_key,
    cluster_of(grouping.cluster_unit, take.session_key, take.player_key) as cluster,
    cluster_is_assumed(grouping.cluster_unit, take.session_basis) as is_assumed,
    transition.transition_id,
    transition.take_id,
    transition.has_slide,
    transition.is_slurred,
    member.weight,
    member.weight * hand.shift_probability as shift,
    member.weight * hand.chance_probability as chance,
from fact.transition
join weighed as hand
    on hand.transition_id = transition.transition_id
join fact.take_tally as take
    on take.take_id = transition.take_id and take.player_id is not distinct from transition.player_id
join tally.take_in_group as member
    on member.take_id = transition.take_id and member.player_id is not distinct from transition.player_id
join tally.grouping
    on grouping.grouping = member.grouping
where member.grouping in ('player', 'school', 'period')
