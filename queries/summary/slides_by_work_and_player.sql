select
    nullif(split_part(counted.group_key, '/', 1), '~') as work_id,
    coalesce(work.title, 'unknown work') as work,
    nullif(split_part(counted.group_key, '/', 2), '~') as player_id,
    coalesce(player.name, 'no single player named') as player,
    player.born,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
left join base.work
    on work.work_id = split_part(counted.group_key, '/', 1)
left join base.player
    on player.player_id = split_part(counted.group_key, '/', 2)
where counted.grouping = 'work_and_player'
