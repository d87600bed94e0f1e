select
    counted.written_place_id,
    nullif(counted.group_key, '~') as player_id,
    coalesce(player.name, 'not attributed') as player,
    written_place.work_id,
    written_place.bar_index,
    written_place.bar,
    written_place.beat,
    written_place.from_name,
    written_place.to_name,
    counted.* exclude (grouping, group_key, written_place_id),
from tally.slides_at_place as counted
join fact.written_place
    on written_place.written_place_id = counted.written_place_id
left join base.player
    on player.player_id = counted.group_key
where counted.grouping = 'player'
