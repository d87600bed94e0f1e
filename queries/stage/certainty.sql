select
    certainty,
    rank::bigint as rank,
from (values ('possible', 1), ('probable', 2), ('certain', 3)) as listed (certainty, rank)
