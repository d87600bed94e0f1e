select
    effect.player_id,
    effect.measure,
    player.name as player,
    player.born,
    effect.* exclude (player_id, measure),
from result.player_effect as effect
left join base.player
    on player.player_id = effect.player_id
