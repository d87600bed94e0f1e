select
    part.school_scheme as scheme,
    part.school_id,
    coalesce(school.name, 'in no school') as school,
    chord.* exclude (grouping, group_key),
from summary.chords_by_group as chord
join tally.group_part as part
    on part.grouping = chord.grouping and part.group_key = chord.group_key
left join base.school
    on school.school_id = part.school_id
where chord.grouping = 'school'
