select
    player_effect.player_id,
    player.name as player,
    player.born,
    player_effect.measure,
    player_effect.slides,
    player_effect.exposure,
    player_effect.rate,
    player_effect.shrunken_rate,
    player_effect.shrunken_rate_low,
    player_effect.shrunken_rate_high,
    player_effect.mean_rate,
    player_effect.between_player_variance,
    player_effect.between_player_variance_low,
    player_effect.between_player_variance_high,
    player_effect.overdispersion,
    player_effect.players,
    player_effect.warning,
from result.player_effect
left join base.player
    on player.player_id = player_effect.player_id
