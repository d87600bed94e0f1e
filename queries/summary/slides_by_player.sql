select
    nullif(counted.group_key, '~') as player_id,
    coalesce(player.name, 'no single player named') as player,
    player.born,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
left join base.player
    on player.player_id = counted.group_key
where counted.grouping = 'player'
