select
    nullif(shift.group_key, '~') as player_id,
    coalesce(player.name, 'no single player named') as player,
    shift.* exclude (grouping, group_key),
    there.* exclude (grouping, group_key),
from tally.shifts_by_group as shift
left join result.shift_share as there
    on there.grouping = shift.grouping and there.group_key = shift.group_key
left join base.player
    on player.player_id = shift.group_key
where shift.grouping = 'player'
