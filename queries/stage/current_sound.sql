select
    transfer_id,
    max(samples_sha256) as samples_sha256,
from base.run
where samples_sha256 is not null
group by transfer_id
