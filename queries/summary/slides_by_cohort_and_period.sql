select
    split_part(counted.group_key, '/', 1) as cohort,
    part.period_scheme,
    part.period_id,
    coalesce(period.name, part.period_id) as period,
    period.span,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
join tally.group_part as part
    on part.grouping = counted.grouping and part.group_key = counted.group_key
left join base.period
    on period.period_id = part.period_id
where counted.grouping = 'cohort_and_period'
