select
    part.school_scheme as scheme,
    part.school_id,
    coalesce(school.name, 'in no school') as school,
    finger.* exclude (grouping, group_key),
from summary.fingers_by_group as finger
join tally.group_part as part
    on part.grouping = finger.grouping and part.group_key = finger.group_key
left join base.school
    on school.school_id = part.school_id
where finger.grouping = 'school'
