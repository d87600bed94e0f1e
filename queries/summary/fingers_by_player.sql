select
    nullif(finger.group_key, '~') as player_id,
    coalesce(player.name, 'no single player named') as player,
    finger.* exclude (grouping, group_key),
from summary.fingers_by_group as finger
left join base.player
    on player.player_id = finger.group_key
where finger.grouping = 'player'
