with
fingers as (
    select
        place.take_id,
        printed.edition,
        count(*) as fingers_told,
        count(*) filter (where printed.to_finger = place.to_finger) as fingers_alike,
    from fact.written_place_take as place
    join fact.written_place_printed as printed
        on printed.written_place_id = place.written_place_id
    where printed.to_finger is not null and place.to_finger is not null and place.p_hand >= 0.6
    group by place.take_id, printed.edition
),
player as (
    select
        take_id,
        case when count(distinct player_id) = 1 then min(player_id) end as player_id,
    from fact.take_tally
    group by take_id
)
select
    followed.take_id,
    followed.edition,
    player.player_id,
    person.name as player,
    fingers.fingers_told,
    fingers.fingers_alike,
    followed.* exclude (take_id, edition),
from result.edition_followed as followed
left join player
    on player.take_id = followed.take_id
left join base.player as person
    on person.player_id = player.player_id
left join fingers
    on fingers.take_id = followed.take_id and fingers.edition = followed.edition
