with
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
    followed.* exclude (take_id, edition),
from result.edition_followed as followed
left join player
    on player.take_id = followed.take_id
left join base.player as person
    on person.player_id = player.player_id
