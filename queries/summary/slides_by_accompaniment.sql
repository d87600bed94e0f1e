select
    counted.group_key as accompaniment,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
where counted.grouping = 'accompaniment'
