with
hit as (
    select
        slide.direction,
        slide.semitones,
        sum(tally.weight) as slides,
        count(distinct slide.take_id) as takes_with_slide,
        count(distinct slide.player_id) as players_with_slide,
    from fact.slide
    join fact.take_tally as tally
        on tally.take_id = slide.take_id and tally.player_id is not distinct from slide.player_id
    where slide.direction is not null
    group by slide.direction, slide.semitones
),
chance as (
    select
        transition.direction,
        transition.semitones,
        sum(tally.weight) as transitions,
        coalesce(sum(tally.weight) filter (where transition.is_slurred), 0) as slurred_transitions,
    from fact.transition
    join fact.take_tally as tally
        on tally.take_id = transition.take_id and tally.player_id is not distinct from transition.player_id
    group by transition.direction, transition.semitones
),
whole as (
    select
        coalesce(sum(weight * minutes), 0) as minutes,
    from fact.take_tally
    where state = 'judged'
)
select
    coalesce(hit.direction, chance.direction) as direction,
    coalesce(hit.semitones, chance.semitones) as semitones,
    coalesce(hit.slides, 0) as slides,
    coalesce(hit.takes_with_slide, 0) as takes_with_slide,
    coalesce(hit.players_with_slide, 0) as players_with_slide,
    whole.minutes,
    coalesce(chance.transitions, 0) as transitions,
    coalesce(chance.slurred_transitions, 0) as slurred_transitions,
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
from hit
full join chance
    on chance.direction = hit.direction and chance.semitones = hit.semitones
cross join whole
left join result.estimate
    on
        estimate.grouping = 'interval'
        and estimate.group_key
        = coalesce(hit.direction, chance.direction) || '/' || coalesce(hit.semitones, chance.semitones)
