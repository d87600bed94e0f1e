select
    counted.written_place_id,
    nullif(counted.group_key, '~') as player_id,
    coalesce(player.name, 'no single player named') as player,
    counted.* exclude (grouping, group_key, written_place_id),
from tally.slides_at_named_place as counted
left join base.player
    on player.player_id = counted.group_key
where counted.grouping = 'player'
