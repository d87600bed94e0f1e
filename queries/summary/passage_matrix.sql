select
    place.written_place_id,
    place.transfer_id,
    place.take_id,
    place.time_through,
    written_place.bar_index,
    written_place.bar,
    written_place.beat,
    written_place.from_name,
    written_place.to_name,
    written_place.to_bar,
    written_place.to_beat,
    written_place.interval_semitones,
    player.name as player,
    take_dated.recorded,
    place.* exclude (written_place_id, transfer_id, take_id, time_through),
from fact.written_place_take as place
join fact.written_place
    on written_place.written_place_id = place.written_place_id
join stage.take_dated
    on take_dated.take_id = place.take_id
left join base.player
    on player.player_id = place.player_id
