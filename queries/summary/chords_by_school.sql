select
    part.school_scheme as scheme,
    part.school_id,
    coalesce(school.name, 'in no school') as school,
    chord.* exclude (grouping, group_key),
    there.* exclude (grouping, group_key, notes),
from tally.chords_by_group as chord
left join result.chord_share as there
    on there.grouping = chord.grouping and there.group_key = chord.group_key and there.notes = chord.notes
join tally.group_part as part
    on part.grouping = chord.grouping and part.group_key = chord.group_key
left join base.school
    on school.school_id = part.school_id
where chord.grouping = 'school'
