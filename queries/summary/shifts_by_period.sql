select
    part.period_scheme as scheme,
    part.period_id,
    coalesce(period.name, part.period_id) as period,
    shift.* exclude (grouping, group_key),
    there.* exclude (grouping, group_key),
from tally.shifts_by_group as shift
left join result.shift_share as there
    on there.grouping = shift.grouping and there.group_key = shift.group_key
join tally.group_part as part
    on part.grouping = shift.grouping and part.group_key = shift.group_key
left join base.period
    on period.period_id = part.period_id
where shift.grouping = 'period'
