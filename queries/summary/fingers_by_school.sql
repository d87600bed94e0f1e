select
    part.school_scheme as scheme,
    part.school_id,
    coalesce(school.name, 'in no school') as school,
    finger.* exclude (grouping, group_key),
    there.* exclude (grouping, group_key, direction),
from tally.fingers_by_group as finger
left join result.finger_share as there
    on there.grouping = finger.grouping and there.group_key = finger.group_key and there.direction = finger.direction
join tally.group_part as part
    on part.grouping = finger.grouping and part.group_key = finger.group_key
left join base.school
    on school.school_id = part.school_id
where finger.grouping = 'school'
