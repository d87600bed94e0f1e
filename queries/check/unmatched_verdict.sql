select
    transfer_id,
    transfer_start_s,
    transfer_end_s,
    listener,
    judged_on,
    sample_id,
    verdict,
    overlap,
    lost_because as what,
from stage.verdict
where lost_because is not null
