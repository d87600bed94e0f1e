select
    counted.group_key as process,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
where counted.grouping = 'process'
