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
    coalesce(counted.takes, 0) as takes,
    coalesce(counted.minutes, 0) as minutes,
    coalesce(counted.transitions, 0) as transitions,
    coalesce(counted.found_slides, 0) as found_slides,
    coalesce(counted.slides, 0) as slides,
    counted.slides_per_minute,
    counted.slides_per_minute_low,
    counted.slides_per_minute_high,
    counted.slides_per_minute_corrected,
    counted.slides_per_minute_corrected_low,
    counted.slides_per_minute_corrected_high,
    counted.slides_per_100_transitions,
    counted.slides_per_100_transitions_low,
    counted.slides_per_100_transitions_high,
    counted.slides_per_100_transitions_corrected,
    counted.slides_per_100_transitions_corrected_low,
    counted.slides_per_100_transitions_corrected_high,
    counted.correction,
    counted.judged,
    counted.planted,
    counted.warning,
from stage.ancestor as distance
left join base.player as ancestor
    on ancestor.player_id = distance.ancestor_id
left join base.player
    on player.player_id = distance.player_id
left join summary.slides_by_group as counted
    on counted.grouping = 'player' and counted.group_key = distance.player_id
