select
    counted.written_place_id,
    split_part(counted.group_key, '/', 1) as scheme,
    split_part(counted.group_key, '/', 2) as school_id,
    coalesce(school.name, split_part(counted.group_key, '/', 2)) as school,
    counted.* exclude (grouping, group_key, written_place_id),
from tally.slides_at_named_place as counted
left join base.school
    on school.scheme || '/' || school.school_id = counted.group_key
where counted.grouping = 'school'
