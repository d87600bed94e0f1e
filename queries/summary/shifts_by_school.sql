select
    part.school_scheme as scheme,
    part.school_id,
    coalesce(school.name, 'in no school') as school,
    shift.* exclude (grouping, group_key),
    there.* exclude (grouping, group_key),
from tally.shifts_by_group as shift
left join result.shift_share as there
    on there.grouping = shift.grouping and there.group_key = shift.group_key
join tally.group_part as part
    on part.grouping = shift.grouping and part.group_key = shift.group_key
left join base.school
    on school.school_id = part.school_id
where shift.grouping = 'school'
