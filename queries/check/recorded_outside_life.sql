select
    tally.take_id,
    tally.player_id,
    tally.recorded,
    player.born,
    player.died,
    case
        when tally.recorded_latest < player.born_earliest then 'recorded before birth'
        else 'recorded after death'
    end as what,
from fact.take_tally as tally
join base.player
    on player.player_id = tally.player_id
where
    tally.recorded_latest < player.born_earliest
    or tally.recorded_earliest > player.died_latest
