select
    part.school_scheme,
    part.school_id,
    coalesce(school.name, 'in no school') as school,
    part.period_scheme,
    part.period_id,
    coalesce(period.name, part.period_id) as period,
    period.span,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
join tally.group_part as part
    on part.grouping = counted.grouping and part.group_key = counted.group_key
left join base.school
    on school.school_id = part.school_id
left join base.period
    on period.period_id = part.period_id
where counted.grouping = 'school_and_period'
