select
    chord.*,
    there.* exclude (grouping, group_key, notes),
from tally.chords_by_group as chord
left join result.chord_share as there
    on there.grouping = chord.grouping and there.group_key = chord.group_key and there.notes = chord.notes
