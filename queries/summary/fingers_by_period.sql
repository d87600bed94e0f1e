select
    part.period_scheme as scheme,
    part.period_id,
    coalesce(period.name, part.period_id) as period,
    finger.* exclude (grouping, group_key),
from summary.fingers_by_group as finger
join tally.group_part as part
    on part.grouping = finger.grouping and part.group_key = finger.group_key
left join base.period
    on period.period_id = part.period_id
where finger.grouping = 'period'
