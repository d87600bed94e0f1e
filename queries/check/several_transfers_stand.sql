select
    side_take.take_id,
    coalesce(side_take.part, 0) as part,
    count(*) as transfers,
    string_agg(transfer.transfer_id, ', ' order by transfer.transfer_id) as transfer_ids,
from base.transfer
join base.side_take
    on side_take.side_id = transfer.side_id
where transfer.stands_for_take
group by side_take.take_id, coalesce(side_take.part, 0)
having count(*) > 1
