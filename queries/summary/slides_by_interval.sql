select
    split_part(hit.group_key, '/', 1) as direction,
    split_part(hit.group_key, '/', 2)::bigint as semitones,
    hit.found_slides,
    hit.slides,
    hit.takes_with_slide,
    hit.players_with_slide,
    corpus.minutes,
    coalesce(hit.transitions, 0) as transitions,
    coalesce(hit.slurred_transitions, 0) as slurred_transitions,
    rate.* exclude (grouping, group_key),
    quartile.* exclude (grouping, group_key),
from tally.slides_by_group as hit
join tally.takes_by_group as corpus
    on corpus.grouping = 'corpus'
left join summary.rate
    on rate.grouping = hit.grouping and rate.group_key = hit.group_key
left join result.quartile
    on quartile.grouping = hit.grouping and quartile.group_key = hit.group_key
where hit.grouping = 'interval'
