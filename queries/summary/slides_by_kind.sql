select
    rate_by_kind.group_key as kind,
    rate_by_kind.* exclude (grouping, group_key),
from summary.rate_by_kind
where rate_by_kind.grouping = 'kind'
