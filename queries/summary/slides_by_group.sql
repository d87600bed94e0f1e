select
    takes.*,
    rate.* exclude (grouping, group_key),
    quartile.* exclude (grouping, group_key),
from tally.takes_by_group as takes
left join summary.rate
    on rate.grouping = takes.grouping and rate.group_key = takes.group_key
left join result.quartile
    on quartile.grouping = takes.grouping and quartile.group_key = takes.group_key
