select
    nullif(counted.group_key, 'undated')::bigint as year,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
where counted.grouping = 'year'
