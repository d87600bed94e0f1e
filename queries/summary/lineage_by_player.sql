with
tally as (
    select
        player_id,
        sum(weight) as takes,
        coalesce(sum(weight * minutes), 0) as minutes,
        coalesce(sum(weight * transitions), 0) as transitions,
        coalesce(sum(weight * slides), 0) as slides,
    from fact.take_tally
    group by player_id
)
select
    distance.ancestor_id,
    ancestor.name as ancestor,
    distance.player_id,
    player.name as player,
    player.born,
    distance.generations as generation,
    distance.longest_path,
    distance.paths,
    distance.certainty,
    distance.weakest_certainty,
    coalesce(tally.takes, 0) as takes,
    coalesce(tally.minutes, 0) as minutes,
    coalesce(tally.transitions, 0) as transitions,
    coalesce(tally.slides, 0) as slides,
    estimate.slides_per_minute,
    estimate.slides_per_minute_low,
    estimate.slides_per_minute_high,
    estimate.slides_per_100_transitions,
    estimate.slides_per_100_transitions_low,
    estimate.slides_per_100_transitions_high,
    estimate.warning,
from stage.ancestor as distance
left join base.player as ancestor
    on ancestor.player_id = distance.ancestor_id
left join base.player
    on player.player_id = distance.player_id
left join tally
    on tally.player_id = distance.player_id
left join result.estimate
    on estimate.grouping = 'player' and estimate.group_key = distance.player_id
