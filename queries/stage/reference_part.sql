select
    work_id,
    arg_min(edition, (not coalesce(is_reference, false), edition)) as edition,
from base.written_part
group by work_id
