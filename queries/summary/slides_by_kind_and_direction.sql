select
    split_part(rate_by_kind.group_key, '/', 1) as kind,
    split_part(rate_by_kind.group_key, '/', 2) as direction,
    rate_by_kind.* exclude (grouping, group_key),
from summary.rate_by_kind
where rate_by_kind.grouping = 'kind_and_direction'
