select
    counted.group_key as cohort,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
where counted.grouping = 'cohort'
