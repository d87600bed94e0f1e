select
    split_part(takes.group_key, '/', 1) as ancestor_id,
    player.name as ancestor,
    split_part(takes.group_key, '/', 2)::bigint as generation,
    birth_minute.rate as expected_from_birth_per_minute,
    birth_hundred.rate as expected_from_birth_per_100_transitions,
    takes.* exclude (grouping, group_key),
    rate.* exclude (grouping, group_key),
from tally.takes_by_group as takes
left join summary.rate
    on rate.grouping = takes.grouping and rate.group_key = takes.group_key
left join result.estimate as birth_minute
    on
        birth_minute.grouping = takes.grouping
        and birth_minute.group_key = takes.group_key
        and birth_minute.measure = 'slides_per_minute'
        and birth_minute.estimand = 'expected_from_birth'
left join result.estimate as birth_hundred
    on
        birth_hundred.grouping = takes.grouping
        and birth_hundred.group_key = takes.group_key
        and birth_hundred.measure = 'slides_per_100_transitions'
        and birth_hundred.estimand = 'expected_from_birth'
left join base.player
    on player.player_id = split_part(takes.group_key, '/', 1)
where takes.grouping = 'lineage'
