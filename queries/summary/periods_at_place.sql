select
    counted.written_place_id,
    split_part(counted.group_key, '/', 1) as scheme,
    split_part(counted.group_key, '/', 2) as period_id,
    coalesce(period.name, split_part(counted.group_key, '/', 2)) as period,
    counted.* exclude (grouping, group_key, written_place_id),
from tally.slides_at_named_place as counted
left join base.period
    on period.scheme || '/' || period.period_id = counted.group_key
where counted.grouping = 'period'
