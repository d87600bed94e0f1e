select
    comparison.grouping,
    comparison.group_key,
    comparison.other_key,
    comparison.measure,
    comparison.evidence,
    first_group.slides_per_minute,
    first_group.slides_per_minute_corrected,
    other_group.slides_per_minute as other_slides_per_minute,
    other_group.slides_per_minute_corrected as other_slides_per_minute_corrected,
    first_group.slides_per_100_transitions,
    first_group.slides_per_100_transitions_corrected,
    other_group.slides_per_100_transitions as other_slides_per_100_transitions,
    other_group.slides_per_100_transitions_corrected as other_slides_per_100_transitions_corrected,
    comparison.* exclude (grouping, group_key, other_key, measure, evidence),
from result.comparison
left join summary.rate as first_group
    on first_group.grouping = comparison.grouping and first_group.group_key = comparison.group_key
left join summary.rate as other_group
    on other_group.grouping = comparison.grouping and other_group.group_key = comparison.other_key
where comparison.grouping <> 'teacher_and_student'
