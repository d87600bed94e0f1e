select
    player.player_id,
    player.name as player,
    chord.* exclude (grouping, group_key),
    there.* exclude (grouping, group_key, notes),
from tally.chords_by_group as chord
left join result.chord_share as there
    on there.grouping = chord.grouping and there.group_key = chord.group_key and there.notes = chord.notes
join base.player
    on player.player_id = chord.group_key
where chord.grouping = 'player'
