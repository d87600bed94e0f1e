select
    take_in_group.grouping,
    take_in_group.group_key,
    place.written_place_id,
    count(distinct place.take_id) as takes,
    count(*) filter (where place.outcome <> 'not_reached') as reached,
    count(*) filter (where place.outcome in ('slid', 'not_slid')) as told,
    count(*) filter (where place.outcome = 'slid') as slid,
    slid / nullif(told, 0) as share,
    wilson(slid, told, -1) as share_low,
    wilson(slid, told, 1) as share_high,
from fact.written_place_take as place
join tally.take_in_group
    on
        take_in_group.take_id = place.take_id
        and take_in_group.player_id is not distinct from place.player_id
        and take_in_group.grouping in ('corpus', 'player', 'school', 'period')
group by take_in_group.grouping, take_in_group.group_key, place.written_place_id
