with
hit as (
    select
        slide.kind as kind,
        sum(tally.weight) as slides,
        coalesce(sum(tally.weight) filter (where slide.direction = 'rising'), 0) as rising_slides,
        count(distinct slide.take_id) as takes_with_slide,
        count(distinct slide.player_id) as players_with_slide,
    from fact.slide
    join fact.take_tally as tally
        on tally.take_id = slide.take_id and tally.player_id is not distinct from slide.player_id
    group by slide.kind
),
whole as (
    select
        coalesce(sum(weight), 0) as takes,
        coalesce(sum(weight * minutes), 0) as minutes,
        coalesce(sum(weight * transitions), 0) as transitions,
        coalesce(sum(weight * slides), 0) as slides,
    from fact.take_tally
    where state = 'judged'
)
select
    hit.kind,
    hit.slides,
    hit.slides / nullif(whole.slides, 0) as share_of_slides,
    hit.takes_with_slide,
    hit.players_with_slide,
    whole.takes,
    whole.minutes,
    whole.transitions,
    estimate.slides_per_minute,
    estimate.slides_per_minute_low,
    estimate.slides_per_minute_high,
    estimate.slides_per_100_transitions,
    estimate.slides_per_100_transitions_low,
    estimate.slides_per_100_transitions_high,
    estimate.slides_per_100_slurred_transitions,
    estimate.slides_per_100_slurred_transitions_low,
    estimate.slides_per_100_slurred_transitions_high,
    estimate.cluster_unit,
    estimate.clusters,
    estimate.method,
    estimate.warning,
    estimate.duration_q1_ms,
    estimate.duration_median_ms,
    estimate.duration_q3_ms,
    estimate.interval_q1_cents,
    estimate.interval_median_cents,
    estimate.interval_q3_cents,
    estimate.gradient_q1_cents_per_s,
    estimate.gradient_median_cents_per_s,
    estimate.gradient_q3_cents_per_s,
    hit.rising_slides / nullif(hit.slides, 0) as share_rising,
from hit
cross join whole
left join result.estimate
    on estimate.grouping = 'kind' and estimate.group_key = hit.kind
