select
    hit.grouping,
    hit.group_key,
    hit.found_slides,
    hit.slides,
    hit.slides / nullif(corpus.slides, 0) as share_of_slides,
    rate.slides_per_minute_corrected
    -- as total() sums, which cannot be a window
    / nullif(
        sum(rate.slides_per_minute_corrected::decimal(38, 15)) over (partition by hit.grouping), 0
    )::double as share_of_slides_corrected,
    hit.takes_with_slide,
    hit.players_with_slide,
    corpus.takes - corpus.takes_not_judged as takes,
    corpus.minutes,
    corpus.transitions,
    hit.share_rising,
    rate.* exclude (grouping, group_key),
    quartile.* exclude (grouping, group_key),
from tally.slides_by_group as hit
join tally.takes_by_group as corpus
    on corpus.grouping = 'corpus'
left join summary.rate
    on rate.grouping = hit.grouping and rate.group_key = hit.group_key
left join result.quartile
    on quartile.grouping = hit.grouping and quartile.group_key = hit.group_key
where hit.grouping in ('kind', 'kind_and_direction')
