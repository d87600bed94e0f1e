select
    counted.group_key as instrument,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
where counted.grouping = 'instrument'
