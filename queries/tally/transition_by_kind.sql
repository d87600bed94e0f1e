select
    take_id,
    player_id,
    interval_class(semitones)::bigint as interval_class,
    direction,
    slur_class(coalesce(slurred_probability, 0.5))::bigint as slur_class,
    count(*) as transitions,
    count(*) filter (where has_find) as slides,
from fact.transition
group by all
