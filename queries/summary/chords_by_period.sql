select
    part.period_scheme as scheme,
    part.period_id,
    coalesce(period.name, part.period_id) as period,
    chord.* exclude (grouping, group_key),
from summary.chords_by_group as chord
join tally.group_part as part
    on part.grouping = chord.grouping and part.group_key = chord.group_key
left join base.period
    on period.period_id = part.period_id
where chord.grouping = 'period'
