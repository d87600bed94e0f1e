select
    nullif(finger.group_key, '~') as player_id,
    coalesce(player.name, 'no single player named') as player,
    finger.* exclude (grouping, group_key),
    there.* exclude (grouping, group_key, direction),
from tally.fingers_by_group as finger
left join result.finger_share as there
    on there.grouping = finger.grouping and there.group_key = finger.group_key and there.direction = finger.direction
left join base.player
    on player.player_id = finger.group_key
where finger.grouping = 'player'
