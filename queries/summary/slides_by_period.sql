with
-- Certainly of it or not.
possible as (
    select
        take_period.scheme || '/' || take_period.period_id as group_key,
        count(distinct take_period.take_id) as takes_possible,
    from fact.take_period
    join fact.take_tally
        on take_tally.take_id = take_period.take_id
    where take_period.share > 0
    group by take_period.scheme, take_period.period_id
)
select
    part.period_scheme as scheme,
    part.period_id,
    coalesce(period.name, part.period_id) as period,
    period.span,
    possible.takes_possible,
    drawn_minute.rate as drawn_per_minute,
    drawn_minute.low as drawn_per_minute_low,
    drawn_minute.high as drawn_per_minute_high,
    drawn_minute.corrected as drawn_per_minute_corrected,
    drawn_minute.corrected_low as drawn_per_minute_corrected_low,
    drawn_minute.corrected_high as drawn_per_minute_corrected_high,
    drawn_minute.least as least_per_minute,
    drawn_minute.most as most_per_minute,
    drawn_hundred.rate as drawn_per_100_transitions,
    drawn_hundred.low as drawn_per_100_transitions_low,
    drawn_hundred.high as drawn_per_100_transitions_high,
    drawn_hundred.corrected as drawn_per_100_transitions_corrected,
    drawn_hundred.corrected_low as drawn_per_100_transitions_corrected_low,
    drawn_hundred.corrected_high as drawn_per_100_transitions_corrected_high,
    drawn_hundred.least as least_per_100_transitions,
    drawn_hundred.most as most_per_100_transitions,
    drawn_bar.rate as drawn_per_bar,
    drawn_bar.low as drawn_per_bar_low,
    drawn_bar.high as drawn_per_bar_high,
    drawn_bar.corrected as drawn_per_bar_corrected,
    drawn_bar.corrected_low as drawn_per_bar_corrected_low,
    drawn_bar.corrected_high as drawn_per_bar_corrected_high,
    drawn_bar.least as least_per_bar,
    drawn_bar.most as most_per_bar,
    counted.* exclude (grouping, group_key),
from summary.slides_by_group as counted
join tally.group_part as part
    on part.grouping = counted.grouping and part.group_key = counted.group_key
left join base.period
    on period.period_id = part.period_id
left join result.estimate as drawn_minute
    on
        drawn_minute.grouping = 'period'
        and drawn_minute.group_key = counted.group_key
        and drawn_minute.measure = 'slides_per_minute'
        and drawn_minute.estimand = 'dates_drawn'
left join result.estimate as drawn_hundred
    on
        drawn_hundred.grouping = 'period'
        and drawn_hundred.group_key = counted.group_key
        and drawn_hundred.measure = 'slides_per_100_transitions'
        and drawn_hundred.estimand = 'dates_drawn'
left join result.estimate as drawn_bar
    on
        drawn_bar.grouping = 'period'
        and drawn_bar.group_key = counted.group_key
        and drawn_bar.measure = 'slides_per_bar'
        and drawn_bar.estimand = 'dates_drawn'
left join possible
    on possible.group_key = counted.group_key
where counted.grouping = 'period'
