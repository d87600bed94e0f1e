select
    part.school_scheme as scheme,
    part.school_id,
    coalesce(school.name, 'in no school') as school,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
join tally.group_part as part
    on part.grouping = counted.grouping and part.group_key = counted.group_key
left join base.school
    on school.school_id = part.school_id
where counted.grouping = 'school'
