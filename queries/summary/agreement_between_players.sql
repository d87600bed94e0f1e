select
    pair.player_id,
    one.name as player,
    pair.other_player_id,
    other.name as other_player,
    pair.* exclude (player_id, other_player_id),
from result.player_likeness as pair
left join base.player as one
    on one.player_id = pair.player_id
left join base.player as other
    on other.player_id = pair.other_player_id
