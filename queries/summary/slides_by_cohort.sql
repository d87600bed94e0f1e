with
tally as (
    select
        cohort.cohort as cohort,
        sum(tally.weight * cohort.share) as takes,
        coalesce(
            sum(tally.weight * cohort.share) filter (where tally.state = 'not_judged'), 0
        ) as takes_not_judged,
        coalesce(
            sum(tally.weight * cohort.share * tally.transfers) filter (where tally.state = 'judged'), 0
        ) as transfers,
        count(distinct tally.session_key) filter (where tally.state = 'judged') as sessions,
        count(distinct tally.player_id) filter (where tally.state = 'judged') as players,
        coalesce(sum(tally.weight * cohort.share * tally.minutes), 0) as minutes,
        coalesce(sum(tally.weight * cohort.share * tally.transitions), 0) as transitions,
        coalesce(sum(tally.weight * cohort.share * tally.slurred_transitions), 0) as slurred_transitions,
        coalesce(sum(tally.weight * cohort.share * tally.slides), 0) as slides,
        coalesce(sum(tally.weight * cohort.share * tally.slurred_slides), 0) as slurred_slides,
        coalesce(sum(tally.weight * cohort.share * tally.reviewed_slides), 0) as reviewed_slides,
        coalesce(
            sum(tally.weight * cohort.share) filter (where tally.has_ambiguous_speed), 0
        ) as takes_of_ambiguous_speed,
        coalesce(
            sum(tally.weight * cohort.share) filter (where tally.timed_minutes < tally.minutes), 0
        ) as takes_of_unmeasurable_speed,
        sum(tally.weight * cohort.share * tally.rising_slides) as rising_slides,
        sum(tally.weight * cohort.share * tally.same_finger) as same_finger,
        sum(tally.weight * cohort.share * tally.departing_finger) as departing_finger,
        sum(tally.weight * cohort.share * tally.arriving_finger) as arriving_finger,
        sum(tally.weight * cohort.share * tally.two_finger) as two_finger,
        sum(tally.weight * cohort.share * tally.into_note) as into_note,
        sum(tally.weight * cohort.share * tally.cannot_tell) as cannot_tell,
    from fact.take_tally as tally
    join fact.player_cohort as cohort
        on cohort.player_id is not distinct from tally.player_id
    group by cohort.cohort
)
select
    tally.cohort,
    tally.takes,
    tally.takes_not_judged,
    tally.transfers,
    tally.sessions,
    tally.players,
    tally.minutes,
    tally.transitions,
    tally.slurred_transitions,
    tally.slides,
    tally.slurred_slides,
    estimate.slides_per_minute,
    estimate.slides_per_minute_low,
    estimate.slides_per_minute_high,
    estimate.slides_per_100_transitions,
    estimate.slides_per_100_transitions_low,
    estimate.slides_per_100_transitions_high,
    estimate.slides_per_100_slurred_transitions,
    estimate.slides_per_100_slurred_transitions_low,
    estimate.slides_per_100_slurred_transitions_high,
    estimate.slides_per_minute_poisson_low,
    estimate.slides_per_minute_poisson_high,
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
    tally.rising_slides / nullif(tally.slides, 0) as share_rising,
    tally.same_finger / nullif(tally.slides, 0) as share_same_finger,
    tally.departing_finger / nullif(tally.slides, 0) as share_departing_finger,
    tally.arriving_finger / nullif(tally.slides, 0) as share_arriving_finger,
    tally.two_finger / nullif(tally.slides, 0) as share_two_finger,
    tally.into_note / nullif(tally.slides, 0) as share_into_note,
    tally.cannot_tell / nullif(tally.slides, 0) as share_cannot_tell,
    tally.takes_of_ambiguous_speed,
    tally.takes_of_unmeasurable_speed,
    tally.reviewed_slides,
from tally
left join result.estimate
    on
        estimate.grouping = 'cohort'
        and estimate.group_key = tally.cohort
