with
come_by as (
    select
        transfer_id,
        take_id,
        run,
        event,
    from stage.laid_note
    where run is not null
    union all
    select
        transfer_id,
        take_id,
        run,
        event,
    from stage.laid_line
)
select
    transfer_id,
    take_id,
    run,
    min(event) as first_event,
    max(event) as last_event,
from come_by
group by transfer_id, take_id, run
