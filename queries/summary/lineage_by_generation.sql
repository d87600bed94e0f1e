select
    split_part(takes.group_key, '/', 1) as ancestor_id,
    player.name as ancestor,
    split_part(takes.group_key, '/', 2)::bigint as generation,
    takes.* exclude (grouping, group_key),
    rate.* exclude (grouping, group_key),
from tally.takes_by_group as takes
left join summary.rate
    on rate.grouping = takes.grouping and rate.group_key = takes.group_key
left join base.player
    on player.player_id = split_part(takes.group_key, '/', 1)
where takes.grouping = 'lineage'
