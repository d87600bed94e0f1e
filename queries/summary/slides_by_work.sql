select
    nullif(counted.group_key, '~') as work_id,
    coalesce(work.title, 'unknown work') as work,
    work.composer,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
left join base.work
    on work.work_id = counted.group_key
where counted.grouping = 'work'
