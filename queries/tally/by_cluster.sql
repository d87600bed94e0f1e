select takes_by_cluster.*,
from tally.takes_by_cluster
union all
select slides_by_cluster.*,
from tally.slides_by_cluster
union all
select bars_by_cluster.*,
from tally.bars_by_cluster
