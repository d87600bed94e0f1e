select
    player.player_id,
    player.name as player,
    chord.* exclude (grouping, group_key),
from summary.chords_by_group as chord
join base.player
    on player.player_id = chord.group_key
where chord.grouping = 'player'
